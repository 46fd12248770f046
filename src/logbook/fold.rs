//! Runs one after the other: tips and spins with ids across them.

use super::extract::{Event, RunLog};
use super::words::{Kind, Word};
use crate::analysis::areas::Maps;
use crate::analysis::joint::Verdict;
use crate::record::{TipLife, TipTest, TipVerdict, VerdictWord};
use std::collections::BTreeMap;

/// A tip.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Tip {
    /// Its number.
    pub id: u64,
    /// When it came, s since 1970.
    pub from_s: i64,
    /// How it came.
    pub came: String,
    /// Atoms lifted less atoms put down, since it is known.
    pub atoms: i64,
    /// Attempts to change it.
    pub touches: u32,
    /// Best polarisation that a test has shown, with its error.
    pub polarisation: Option<[f64; 2]>,
    /// Since when it is proved.
    pub proved_s: Option<i64>,
    /// When it was found lost.
    pub lost_s: Option<i64>,
}

/// Something that happened to a tip.
#[derive(Debug, Clone, PartialEq)]
pub struct TipEvent {
    /// Which tip.
    pub tip: u64,
    /// When, s since 1970.
    pub at_s: i64,
    /// In which run; empty for a person's word.
    pub run: String,
    /// `came`, `pick_up`, `put_down`, `pulse`, `coarse_step`, `coarse_shift`, `refused`, `test`, `proved`, `lost`, `looked`, `allow`.
    pub what: String,
    /// More on it.
    pub remark: String,
}

/// A spin.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Spin {
    /// Its id: area and number.
    pub id: String,
    /// Names that sequences gave it.
    pub names: Vec<String>,
    /// Where it lies on the map of its area, m.
    pub at_m: [f64; 2],
    /// Its height, m.
    pub height_m: f64,
    /// When it was first measured, s since 1970.
    pub first_s: i64,
    /// When last.
    pub last_s: i64,
    /// Its moment with the error, Bohr magnetons, where it was proved.
    pub moment: Option<[f64; 2]>,
}

/// A sweep with its tip and its spin.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs, reason = "fields are named after what they hold")]
pub struct Spectrum {
    pub run: String,
    pub sweep: u64,
    pub at_s: i64,
    pub tip: u64,
    pub spin: Option<String>,
    pub name: String,
    pub channel: String,
    pub ends: [f64; 2],
    pub points: u64,
    pub field_t: Option<f64>,
    pub verdict: Option<VerdictWord>,
}

/// Everything that the runs and the words add up to.
#[derive(Debug, Clone, Default)]
pub struct Whole {
    /// Tips, in order.
    pub tips: Vec<Tip>,
    /// What happened to them.
    pub events: Vec<TipEvent>,
    /// Spins by id.
    pub spins: BTreeMap<String, Spin>,
    /// Sweeps.
    pub spectra: Vec<Spectrum>,
    /// Helium transfers, s since 1970.
    pub refills: Vec<i64>,
    /// When the pot was last condensed, s since 1970.
    pub condensed_s: Option<i64>,
    /// Last reading of the helium level, m³.
    helium_m3: Option<f64>,
    /// Maps of the areas.
    pub maps: Maps,
    /// The spin under the tip.
    under: Option<String>,
    /// The life of the tip that is in, with times in seconds since 1970.
    pub life: TipLife,
}

/// Runs and words in the order of time.
enum Item<'a> {
    Run(&'a RunLog),
    Word(&'a Word),
}

/// Folds runs and words. The order in which they are given does not matter.
pub fn fold(runs: &[RunLog], words: &[Word]) -> Whole {
    // A word that was said before a run began within the same second is before it, and the run knows it.
    let mut items: Vec<((i64, u16), u8, String, Item<'_>)> = Vec::new();
    items.extend(
        runs.iter().map(|run| ((run.started_s, run.started_ms), 1, run.name.clone(), Item::Run(run))),
    );
    let numbered = |word: &Word| format!("{:020}", word.id);
    items.extend(words.iter().map(|word| ((word.at_s, word.at_ms), 0, numbered(word), Item::Word(word))));
    items.sort_by(|a, b| (a.0, a.1, &a.2).cmp(&(b.0, b.1, &b.2)));
    let mut whole = Whole::default();
    for (_, _, _, item) in items {
        match item {
            Item::Run(run) => whole.run(run),
            Item::Word(word) => whole.word(word),
        }
    }
    whole
}

impl Whole {
    fn tip(&mut self) -> &mut Tip {
        if self.tips.is_empty() {
            self.come(0, "it was in when the logbook began");
        }
        self.tips.last_mut().expect("there is one")
    }

    fn come(&mut self, at_s: i64, how: &str) {
        let id = self.tips.len() as u64 + 1;
        self.tips.push(Tip { id, from_s: at_s, came: how.to_owned(), ..Tip::default() });
        self.say(at_s, "", "came", how);
    }

    fn say(&mut self, at_s: i64, run: &str, what: &str, remark: &str) {
        let tip = self.tips.last().map_or(0, |tip| tip.id);
        let (run, what, remark) = (run.to_owned(), what.to_owned(), remark.to_owned());
        self.events.push(TipEvent { tip, at_s, run, what, remark });
    }

    fn word(&mut self, word: &Word) {
        let text = format!("{} ({})", word.text, word.by);
        match word.kind {
            Kind::Looked => {
                self.tip();
                self.life.looked_s = Some(word.at_s as f64);
                self.life.proved_s.get_or_insert(word.at_s as f64);
                self.life.lost.clear();
                self.tip().proved_s.get_or_insert(word.at_s);
                self.say(word.at_s, "", "looked", &text);
            }
            Kind::Allow => {
                self.tip();
                self.life.word_until_s = word.until_s.map(|until_s| until_s as f64);
                self.say(word.at_s, "", "allow", &text);
            }
            Kind::NewTip => {
                self.come(word.at_s, &text);
                let kept = std::mem::take(&mut self.life.kept);
                self.life = TipLife { kept, ..TipLife::default() };
                self.maps.shifted();
            }
            Kind::Condensed => self.condensed_s = Some(word.at_s),
            Kind::Note | Kind::Plan => {}
        }
    }

    fn run(&mut self, run: &RunLog) {
        self.tip();
        self.under = None;
        if let Some([first, last, transfer]) = run.helium_m3 {
            if self.helium_m3.is_some_and(|before| first - before > transfer) {
                self.refills.push(run.started_s);
            }
            self.helium_m3 = Some(last);
        }
        let first_new = self.spectra.len();
        for event in &run.events {
            self.event(run, event, first_new);
        }
        self.end_of(run);
    }

    fn event(&mut self, run: &RunLog, event: &Event, first_new: usize) {
        let at = |at_s: &f64| run.started_s + at_s.round() as i64;
        match event {
            Event::Touched { at_s, what, achieved, remark } => {
                let changes = matches!(what.as_str(), "pick_up" | "put_down" | "pulse");
                let tip = self.tip();
                // What is done to a tip that was good, or found lost, makes another of it.
                if changes && *achieved && tip.polarisation.is_some() {
                    let before = tip.id;
                    self.come(at(at_s), &format!("{what} on tip {before}"));
                }
                let tip = self.tip();
                tip.touches += u32::from(changes);
                tip.atoms += match what.as_str() {
                    "pick_up" if *achieved => 1,
                    "put_down" if *achieved => -1,
                    _ => 0,
                };
                self.say(at(at_s), &run.name, what, remark);
            }
            Event::Refused { at_s, why } => self.say(at(at_s), &run.name, "refused", why),
            Event::Tested(test) => self.tested(at(&test.at_s), &run.name, test),
            Event::Image { spots, .. } => {
                self.maps.image(spots);
            }
            Event::Centred { at_s, at_m } => self.centred(at(at_s), *at_m),
            Event::Shifted { .. } => {
                self.maps.shifted();
                self.under = None;
            }
            Event::Kept { name, at_m, .. } => {
                let mut there = self.maps.clone();
                if let Some((area, spot)) = there.centred(*at_m) {
                    let spin = self.spins.entry(Maps::id(area, spot)).or_default();
                    if !spin.names.contains(name) {
                        spin.names.push(name.clone());
                    }
                }
            }
            Event::Swept { at_s, sweep, name, channel, ends, points, field_t } => {
                let tip = self.tip().id;
                self.spectra.push(Spectrum {
                    run: run.name.clone(),
                    sweep: *sweep,
                    at_s: at(at_s),
                    tip,
                    spin: self.under.clone(),
                    name: name.clone(),
                    channel: channel.clone(),
                    ends: *ends,
                    points: *points,
                    field_t: *field_t,
                    verdict: None,
                });
            }
            Event::Judged { at_s, verdict, moment, sweeps } => {
                self.judged(at(at_s), &run.name, verdict, *moment, sweeps, first_new);
            }
            Event::Filled { at_s } => self.refills.push(at(at_s)),
            Event::Condensed { at_s } => self.condensed_s = Some(at(at_s)),
            Event::Note { .. } => {}
        }
    }

    fn tested(&mut self, at_s: i64, run: &str, test: &TipTest) {
        let shown = test.finding.polarisation;
        let tip = self.tip();
        if test.finding.verdict == TipVerdict::Contrast && test.centred {
            let better = |best: [f64; 2]| shown.is_some_and(|new| new[0] > best[0]);
            if tip.polarisation.is_none_or(better) {
                tip.polarisation = shown;
            }
        }
        let with = shown.map_or(String::new(), |[p, e]| format!(", polarisation {p:.4} ± {e:.4}"));
        let on = self.under.clone().map_or(String::new(), |spin| format!(" on {spin}"));
        self.say(at_s, run, "test", &format!("{}{with}{on}", test.finding.verdict.word()));
    }

    fn centred(&mut self, at_s: i64, at_m: [f64; 2]) {
        self.under = self.maps.centred(at_m).map(|(area, spot)| {
            let id = Maps::id(area, spot);
            let [x, y, height_m] = self.maps.areas[area].spots[spot];
            let spin = self.spins.entry(id.clone()).or_default();
            if spin.id.is_empty() {
                (spin.id, spin.first_s) = (id.clone(), at_s);
            }
            (spin.at_m, spin.height_m, spin.last_s) = ([x, y], height_m, at_s);
            id
        });
    }

    fn judged(
        &mut self,
        at_s: i64,
        run: &str,
        verdict: &VerdictWord,
        moment: Option<[f64; 2]>,
        sweeps: &[u64],
        first_new: usize,
    ) {
        let mut of: Vec<String> = Vec::new();
        for spectrum in self.spectra[first_new..].iter_mut().filter(|s| sweeps.contains(&s.sweep)) {
            spectrum.verdict = Some(verdict.clone());
            of.extend(spectrum.spin.clone());
        }
        of.sort();
        of.dedup();
        if *verdict == Verdict::Real && self.tip().proved_s.is_none() {
            self.tip().proved_s = Some(at_s);
            self.say(at_s, run, "proved", "a resonance was proved with it");
        }
        // A moment of several spins is of none.
        if let ([id], Some(moment)) = (of.as_slice(), moment)
            && let Some(spin) = self.spins.get_mut(id)
        {
            spin.moment = Some(moment);
        }
    }

    /// What the run itself knows of the tip at its end is the truth, in seconds since 1970.
    fn end_of(&mut self, run: &RunLog) {
        let start_s = run.started_s as f64;
        let known = self.life.clone();
        let lost_before = known.lost.len();
        let mut life = shifted(run.life.clone(), start_s);
        if !run.told {
            // A run that was not told of the tip knows only what it saw itself.
            let touched = run.life.touches > 0 && run.life.atoms != 0;
            if !touched && life.proved_s.is_none() {
                (life.proved_s, life.looked_s) = (known.proved_s, known.looked_s);
                if life.tests.is_empty() {
                    (life.tests, life.lost) = (known.tests, known.lost);
                }
            }
            life.word_until_s = life.word_until_s.or(known.word_until_s);
            life.kept.extend(
                known.kept.into_iter().filter(|old| run.life.kept.iter().all(|k| k.name != old.name)),
            );
        }
        let at = |at_s: f64| at_s.round() as i64;
        if let Some(proved_s) = life.proved_s
            && self.tip().proved_s.is_none()
        {
            self.tip().proved_s = Some(at(proved_s));
            self.say(
                at(proved_s),
                &run.name,
                "proved",
                "tests on two atoms have found it good for long enough",
            );
        }
        for lost in life.lost.iter().skip(lost_before) {
            self.tip().lost_s = Some(at(lost.at_s));
            self.say(at(lost.at_s), &run.name, "lost", "one level where there had been two");
        }
        self.life = life;
    }
}

/// A life with all its moments later by so much.
pub fn shifted(mut life: TipLife, by_s: f64) -> TipLife {
    let move_on = |at_s: &mut f64| *at_s += by_s;
    life.tests
        .iter_mut()
        .chain(&mut life.lost)
        .chain(&mut life.recent)
        .for_each(|test| move_on(&mut test.at_s));
    life.elsewhere.iter_mut().for_each(|good| move_on(&mut good.at_s));
    life.kept.iter_mut().for_each(|spin| move_on(&mut spin.seen_s));
    for at_s in [&mut life.proved_s, &mut life.looked_s, &mut life.word_until_s].into_iter().flatten() {
        move_on(at_s);
    }
    life
}
