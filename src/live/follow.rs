//! Following a run file: its account so far, the current sweep, the last sweep that was fitted.

use crate::record::{RecordError, RunFile};
use crate::report::account::{Account, Growing, SweepOutline};
use crate::report::figure::thin;

/// Rows that are read at one look.
const ROWS_AT_ONCE: u64 = 4000;
/// Points of a sweep that are kept; above, it is thinned to the extremes of half as many parts.
const MOST_POINTS: usize = 6000;
/// Largest map that is kept whole; of larger ones the current line is shown.
const MOST_CELLS: u64 = 40_000;

/// A sweep with the points that are shown.
#[derive(Debug, Clone)]
pub struct Shown {
    /// The sweep; its table holds the readings of one channel at the place `read`.
    pub outline: SweepOutline,
    /// Which reading is kept.
    pub read: usize,
    /// Whether a line of a large map stands for the whole.
    pub line_only: bool,
    next: u64,
    /// When the last point was measured, s.
    last_s: f64,
}

/// A run that is followed.
#[derive(Debug)]
pub struct Follower {
    run: RunFile,
    growing: Growing,
    /// The current sweep, or the last.
    pub present: Option<Shown>,
    /// The last sweep with a fit.
    pub fitted: Option<Shown>,
    last_fit: Option<u64>,
}

impl Follower {
    /// Of a run file, from its beginning.
    pub fn new(run: RunFile) -> Self {
        let growing = Growing::new(&run);
        Self { run, growing, present: None, fitted: None, last_fit: None }
    }

    /// The account so far.
    pub fn account(&self) -> &Account {
        self.growing.account()
    }

    /// Reads what is new; says whether there was anything.
    ///
    /// # Errors
    /// The file can't be read.
    pub fn look(&mut self) -> Result<bool, RecordError> {
        let mut anything = false;
        while self.growing.read_on(&self.run, ROWS_AT_ONCE)? {
            anything = true;
        }
        if !anything {
            return Ok(false);
        }
        let newest = self.account().sweeps.last().map(|s| s.table.sweep);
        if newest != self.present.as_ref().map(|p| p.outline.table.sweep) {
            self.present = self.account().sweeps.last().map(|s| Shown::new(self.account(), s));
        }
        if let Some(present) = &mut self.present {
            present.read_on(&self.run)?;
            let history = &mut self.growing.account_mut().history;
            history.end_s = history.end_s.max(present.last_s);
            // Both hold it: the picture of the sweep, and the account, which has its title from there.
            if let Some(outline) = self.growing.account_mut().sweeps.last_mut() {
                outline.measured = present.next;
                (present.outline.measured, present.outline.ended) = (present.next, outline.ended);
            }
        }
        self.take_fit()?;
        Ok(true)
    }

    fn take_fit(&mut self) -> Result<(), RecordError> {
        let account = self.growing.account();
        let Some(fit) = account.fits.last().filter(|fit| Some(fit.seq) != self.last_fit) else {
            return Ok(());
        };
        self.last_fit = Some(fit.seq);
        let outline = account.sweeps.iter().rfind(|s| Some(s.table.sweep) == fit.sweep);
        if let Some(outline) = outline.filter(|o| o.table.slow.is_none()) {
            let mut shown = Shown::new(account, outline);
            shown.read_on(&self.run)?;
            shown.outline.measured = shown.next;
            self.fitted = Some(shown);
        }
        Ok(())
    }
}

impl Shown {
    fn new(account: &Account, outline: &SweepOutline) -> Self {
        let columns = &outline.table.read;
        let place = |name: &str| {
            let wanted = account.channel_name(name);
            columns.iter().position(|c| c.channel == wanted)
        };
        let fitted = account.fit_of(outline.table.sweep).and_then(|fit| place(&fit.channel));
        let read = fitted.or_else(|| place("LockinX")).unwrap_or(0);
        let line_only = outline.table.slow.is_some() && outline.table.planned > MOST_CELLS;
        Self { outline: outline.clone(), read, line_only, next: 0, last_s: 0.0 }
    }

    fn read_on(&mut self, run: &RunFile) -> Result<(), RecordError> {
        loop {
            let Self { outline, read, next, line_only, last_s } = self;
            let before = *next;
            let table = &mut outline.table;
            run.points_from(table.sweep, before, ROWS_AT_ONCE, |point| {
                *next = point.i + 1;
                *last_s = point.at.s();
                if *line_only && table.y.last().is_some_and(|y| *y != point.y) {
                    table.x.clear();
                    table.y.clear();
                    table.values[*read].clear();
                }
                table.x.push(point.x);
                table.y.push(point.y);
                if let Some(column) = table.values.get_mut(*read) {
                    column.push(point.values.as_slice().get(*read).copied().unwrap_or(f64::NAN));
                }
            })?;
            self.thin();
            if self.next < before + ROWS_AT_ONCE {
                return Ok(());
            }
        }
    }

    fn thin(&mut self) {
        let table = &mut self.outline.table;
        let is_map = table.slow.is_some() && !self.line_only;
        if is_map || table.x.len() <= MOST_POINTS {
            return;
        }
        let Some(column) = table.values.get_mut(self.read) else { return };
        let points: Vec<(f64, f64)> = table.x.iter().copied().zip(column.iter().copied()).collect();
        let kept = thin(&points, MOST_POINTS / 4);
        table.x = kept.iter().map(|p| p.0).collect();
        table.y = vec![table.y.last().copied().unwrap_or(0.0); kept.len()];
        *column = kept.iter().map(|p| p.1).collect();
        // Where the way back begins can't be told from thinned points.
        self.outline.line = None;
    }
}
