//! Reading channels, with averaging.

use super::{Context, Input, Next};
use crate::bench::{Bench, ChannelId};
use crate::instrument::{ErrorKind, InstrumentError};
use crate::quantity::TimePoint;
use crate::record::{Answer, Failure};
use crate::supervisor::event::{Answered, Channels, Command};

/// Readings of some channels; each value is a mean over samples.
#[derive(Debug)]
pub struct Reading {
    /// Channels of one link together, with their places in the result.
    groups: Vec<(Channels, Vec<usize>)>,
    samples: u32,
    spacing_s: f64,
    sums: Vec<f64>,
    taken: u32,
    group: usize,
    next_sample: Option<TimePoint>,
    /// Whether a channel that gives no value leaves a gap instead of ending the reading.
    leaves_gaps: bool,
    /// Why a channel has given no value for the means in hand.
    silent: Vec<Option<InstrumentError>>,
}

impl Reading {
    /// `samples` is at least 1.
    pub fn new(bench: &Bench, channels: &[ChannelId], samples: u32, spacing_s: f64) -> Self {
        let mut groups: Vec<(Vec<ChannelId>, Vec<usize>)> = Vec::new();
        for (place, id) in channels.iter().enumerate() {
            let link = bench.channel(*id).link;
            let fits = |(ids, _): &&mut (Vec<ChannelId>, Vec<usize>)| {
                bench.channel(ids[0]).link == link && ids.len() < crate::record::WIDEST_POINT
            };
            match groups.iter_mut().find(fits) {
                Some((ids, places)) => {
                    ids.push(*id);
                    places.push(place);
                }
                None => groups.push((vec![*id], vec![place])),
            }
        }
        Self {
            groups: groups.into_iter().map(|(ids, places)| (Channels::new(&ids), places)).collect(),
            samples: samples.max(1),
            spacing_s,
            sums: vec![0.0; channels.len()],
            taken: 0,
            group: 0,
            next_sample: None,
            leaves_gaps: false,
            silent: vec![None; channels.len()],
        }
    }

    /// A channel that gives no value leaves a gap.
    pub(super) fn with_gaps(self) -> Self {
        Self { leaves_gaps: true, ..self }
    }

    /// Why a channel has given no value, by the places of the channels.
    pub(super) fn silent(&self) -> &[Option<InstrumentError>] {
        &self.silent
    }

    pub(super) fn rewind(&mut self) {
        self.sums.fill(0.0);
        self.silent.fill(None);
        self.taken = 0;
        self.group = 0;
        self.next_sample = None;
    }

    pub(super) fn step(&mut self, input: Input, ctx: &mut Context<'_>) -> Next {
        match self.advance(input, ctx) {
            Ok(None) => {
                let means = self.means().to_vec();
                self.rewind();
                Next::Finished(Ok(Answer::Numbers(means)))
            }
            Ok(Some(next)) => next,
            Err(failure) => Next::Finished(Err(failure)),
        }
    }

    /// As `step`, but leaves the means in place for a sweep to take without allocating.
    pub(super) fn advance(&mut self, input: Input, ctx: &mut Context<'_>) -> Result<Option<Next>, Failure> {
        match input {
            Input::Go => {}
            Input::Refused(reason) => return Err(Failure::Forbidden(reason)),
            Input::Answered(Answered::Failed(error)) if self.leaves_gaps && is_gap(error.kind) => {
                self.miss(error);
            }
            Input::Answered(Answered::Failed(error)) => return Err(Failure::Instrument(error)),
            Input::Answered(Answered::Read(values)) => {
                let places = &self.groups[self.group].1;
                for (place, value) in places.iter().zip(values.as_slice()) {
                    self.sums[*place] += value;
                }
                self.group += 1;
            }
            Input::Answered(_) => {}
        }
        let silent = &self.silent;
        let gives_nothing =
            |(_, places): &(Channels, Vec<usize>)| places.iter().all(|p| silent[*p].is_some());
        while self.group < self.groups.len() && gives_nothing(&self.groups[self.group]) {
            self.group += 1;
        }
        if self.group == self.groups.len() {
            self.group = 0;
            self.taken += 1;
            self.next_sample = Some(ctx.now.after(self.spacing_s));
        }
        if self.taken == self.samples {
            return Ok(None);
        }
        if let Some(due) = self.next_sample.filter(|due| self.group == 0 && ctx.now < *due) {
            return Ok(Some(Next::Until(due)));
        }
        self.next_sample = None;
        Ok(Some(Next::Command(Command::Read { channels: self.groups[self.group].0 })))
    }

    /// The means, once `advance` has returned `None`.
    pub(super) fn means(&mut self) -> &[f64] {
        let count = f64::from(self.samples);
        for (sum, silent) in self.sums.iter_mut().zip(&self.silent) {
            *sum = if silent.is_some() { f64::NAN } else { *sum / count };
        }
        &self.sums
    }

    /// The group in hand has failed. A joint reading says nothing about its channels but that they have to be read one
    /// by one; one that was read alone has no value.
    fn miss(&mut self, error: InstrumentError) {
        let (channels, places) = self.groups[self.group].clone();
        if let [place] = places.as_slice() {
            self.silent[*place] = Some(error);
            self.group += 1;
            return;
        }
        let alone =
            channels.as_slice().iter().zip(places).map(|(id, place)| (Channels::new(&[*id]), vec![place]));
        self.groups.splice(self.group..=self.group, alone.collect::<Vec<_>>());
    }
}

/// Whether a channel that fails like this just has no value to show.
pub(super) fn is_gap(kind: ErrorKind) -> bool {
    kind.is_silence() || matches!(kind, ErrorKind::AboveRange | ErrorKind::BelowRange)
}
