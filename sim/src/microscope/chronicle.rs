//! What the tip was and what lay under it, from when to when: the truth that claims are held against.

use super::Microscope;
use super::junction::Junction;
use crate::tip::Apex;
use serde::Serialize;

/// A spin counts as in reach from this overlap on: a tenth of its signal is seen.
const REACH: f64 = 0.1;

/// One apex, from its coming to its going.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TipStay {
    /// When it came, s.
    pub from_s: f64,
    /// When the next one came, s; now for the last one.
    pub to_s: f64,
    /// Whether a spin can be seen with it.
    pub polarised: bool,
    /// Spin polarisation of its current, 0 to 1.
    pub polarisation: f64,
    /// Its moment, in Bohr magnetons.
    pub moment_mub: f64,
    /// Whether it has a second end, which shows everything twice.
    pub double: bool,
}

/// One spin in reach of one apex.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpinStay {
    /// From when, s.
    pub from_s: f64,
    /// To when, s.
    pub to_s: f64,
    /// Name of the site.
    pub site: String,
    /// Name of the species.
    pub species: String,
    /// Its g along x, y, z.
    pub g: [f64; 3],
    /// The moment that its lines show with the field along x, y, z, in Bohr magnetons: `f = 2μB/h`, so g/2.
    pub moment_mub: [f64; 3],
    /// Which of the apexes, counted from 0.
    pub tip: usize,
    /// Mean part of its signal that was seen, 0 to 1.
    pub overlap: f64,
    /// Mean field of the tip on it while the apex was up, T (x, y, z); the other way round while it was down.
    pub tip_field_t: [f64; 3],
    /// The same of each short while of it.
    #[serde(skip)]
    pub parts: Vec<Part>,
    /// Times that the apex switched between its two states.
    pub switches: u64,
}

/// Mean field of the tip, T (x, y, z), over a short while.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// From when, s.
    pub from_s: f64,
    /// To when, s.
    pub to_s: f64,
    /// Mean field of the tip in between, T (x, y, z).
    pub field_t: [f64; 3],
}

/// Mean field of the tip on a spin over some of its stays, within some spans: it goes with the gap, and that with field,
/// temperature and setpoint. None where nothing was looked at in them.
pub fn tip_field_within_t<'a>(
    stays: impl Iterator<Item = &'a SpinStay>,
    spans_s: &[(f64, f64)],
) -> Option<[f64; 3]> {
    // What begins before a span belongs to what the tip did then: it may have been moved about to centre it.
    let within = |part: &&Part| spans_s.iter().any(|(from, to)| *from <= part.from_s && part.to_s <= *to);
    let parts = stays.flat_map(|stay| &stay.parts);
    let seen: Vec<[f64; 3]> = parts.filter(within).map(|part| part.field_t).collect();
    let mean = |axis: usize| seen.iter().map(|field_t| field_t[axis]).sum::<f64>() / seen.len() as f64;
    (!seen.is_empty()).then(|| [0, 1, 2].map(mean))
}

/// What became of the helium.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Default)]
pub struct ColdTruth {
    /// Litres boiled off since the start.
    pub helium_boiled_l: f64,
    /// Litres transferred into the bath since the start.
    pub helium_filled_l: f64,
    /// Condensations of the pot that were completed.
    pub condensations: u32,
    /// How long the pot would still last without further load, s.
    pub pot_left_s: f64,
}

/// Everything so far. Nothing that is measured knows of it.
#[derive(Debug, Clone, PartialEq, Serialize, Default)]
pub struct Chronicle {
    /// What became of the helium.
    pub cold: ColdTruth,
    /// Every apex, in order, without gaps.
    pub tips: Vec<TipStay>,
    /// Every stay of a spin in reach of the tip, in order.
    pub stays: Vec<SpinStay>,
    /// Names of the sites whose atoms were lifted or moved, in order.
    pub lifted: Vec<String>,
}

/// The same while it is written: the surface has the names.
#[derive(Debug, Clone)]
pub(super) struct Diary {
    tips: Vec<TipStay>,
    stays: Vec<Entry>,
    lifted: Vec<usize>,
    /// Whether the last stay goes on.
    open: bool,
}

#[derive(Debug, Clone)]
struct Entry {
    from_s: f64,
    to_s: f64,
    site: usize,
    tip: usize,
    looks: f64,
    overlap: f64,
    field_t: [f64; 3],
    /// Looks of the part that goes on.
    part_looks: f64,
    parts: Vec<Part>,
    switches: u64,
}

/// What is written down as one, s: shorter than a spectrum by far.
const PART_S: f64 = 10.0;

impl Entry {
    fn look(&mut self, now_s: f64, overlap: f64, field_t: [f64; 3]) {
        self.to_s = now_s;
        self.looks += 1.0;
        self.overlap += (overlap - self.overlap) / self.looks;
        if self.parts.last().is_none_or(|part| now_s - part.from_s >= PART_S) {
            self.part_looks = 0.0;
            self.parts.push(Part { from_s: now_s, to_s: now_s, field_t });
        }
        self.part_looks += 1.0;
        let Some(part) = self.parts.last_mut() else { return };
        part.to_s = now_s;
        for ((mean, part), value) in self.field_t.iter_mut().zip(&mut part.field_t).zip(field_t) {
            *mean += (value - *mean) / self.looks;
            *part += (value - *part) / self.part_looks;
        }
    }
}

impl Diary {
    pub(super) fn new(apex: &Apex) -> Self {
        Self { tips: vec![stay(0.0, apex)], stays: Vec::new(), lifted: Vec::new(), open: false }
    }

    /// Another apex from `now_s` on.
    pub(super) fn changed(&mut self, now_s: f64, apex: &Apex) {
        self.leave();
        if let Some(last) = self.tips.last_mut() {
            last.to_s = now_s;
        }
        self.tips.push(stay(now_s, apex));
    }

    /// Nothing is in reach any more.
    pub(super) fn leave(&mut self) {
        self.open = false;
    }

    /// An atom was lifted, or moved aside.
    pub(super) fn lifted(&mut self, site: usize) {
        self.lifted.push(site);
    }

    /// The apex has switched.
    pub(super) fn switched(&mut self) {
        if let (true, Some(last)) = (self.open, self.stays.last_mut()) {
            last.switches += 1;
        }
    }

    fn meet(&mut self, now_s: f64, site: usize, overlap: f64, field_t: [f64; 3]) {
        let tip = self.tips.len() - 1;
        if !(self.open && self.stays.last().is_some_and(|last| last.site == site)) {
            self.stays.push(Entry {
                from_s: now_s,
                to_s: now_s,
                site,
                tip,
                looks: 0.0,
                overlap,
                field_t,
                part_looks: 0.0,
                parts: Vec::new(),
                switches: 0,
            });
            self.open = true;
        }
        if let Some(last) = self.stays.last_mut() {
            last.look(now_s, overlap, field_t);
        }
    }
}

fn stay(from_s: f64, apex: &Apex) -> TipStay {
    TipStay {
        from_s,
        to_s: from_s,
        polarised: apex.has_contrast(),
        polarisation: apex.polarisation,
        moment_mub: apex.moment_mub,
        double: apex.second.is_some(),
    }
}

impl Microscope {
    /// Writes down what is under the tip: once a second.
    pub(super) fn write_diary(&mut self, junction: Option<Junction>) {
        let Some(junction) = junction else {
            self.diary.leave();
            return;
        };
        match junction.spin.filter(|spin| spin.overlap >= REACH) {
            Some(spin) => {
                let field_t = self.field_while_up_t(&junction);
                self.diary.meet(self.now_s, spin.site, spin.overlap, field_t);
            }
            None => self.diary.leave(),
        }
    }

    fn field_while_up_t(&self, junction: &Junction) -> [f64; 3] {
        let Some(spin) = junction.spin else { return [0.0; 3] };
        self.tip_field_on_t(&spin, junction.gap_m).map(|part| part * self.tip.sign())
    }

    /// What the tip was and what lay under it so far. Changes nothing.
    pub fn chronicle(&self) -> Chronicle {
        let mut tips = self.diary.tips.clone();
        if let Some(last) = tips.last_mut() {
            last.to_s = self.now_s;
        }
        let told = |entry: &Entry| {
            let species = self.surface.species_of(entry.site);
            SpinStay {
                from_s: entry.from_s,
                to_s: entry.to_s,
                site: self.surface.sites[entry.site].name.clone(),
                species: species.name.clone(),
                g: species.g,
                moment_mub: species.moment_mub(),
                tip: entry.tip,
                overlap: entry.overlap,
                tip_field_t: entry.field_t,
                parts: entry.parts.clone(),
                switches: entry.switches,
            }
        };
        let lifted = self.diary.lifted.iter().map(|site| self.surface.sites[*site].name.clone()).collect();
        Chronicle {
            cold: self.plant.cold(),
            tips,
            stays: self.diary.stays.iter().map(told).collect(),
            lifted,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_field_of_the_tip_is_known_of_a_part_of_a_stay() {
        let mut diary = Diary::new(&Apex::BARE);
        for second in 0..600 {
            let field_t = if second < 300 { 2e-3 } else { 5e-3 };
            diary.meet(f64::from(second), 0, 1.0, [0.0, 0.0, field_t]);
        }
        let entry = diary.stays[0].clone();
        assert!((entry.field_t[2] - 3.5e-3).abs() < 1e-12);
        let stay = SpinStay {
            from_s: entry.from_s,
            to_s: entry.to_s,
            site: String::new(),
            species: String::new(),
            g: [2.0; 3],
            moment_mub: [1.0; 3],
            tip: entry.tip,
            overlap: entry.overlap,
            tip_field_t: entry.field_t,
            parts: entry.parts,
            switches: 0,
        };
        assert_eq!(stay.parts.len(), 60);
        let part = Part { from_s: 900.0, to_s: 910.0, field_t: [0.0, 0.0, 7e-3] };
        let again = SpinStay { parts: vec![part; 5], ..stay.clone() };
        let within = |from_s, to_s| {
            tip_field_within_t([&stay, &again].into_iter(), &[(from_s, to_s)]).map(|field_t| field_t[2])
        };
        assert!((within(0.0, 299.0).unwrap() - 2e-3).abs() < 1e-12);
        assert!((within(301.0, 600.0).unwrap() - 5e-3).abs() < 1e-12);
        assert_eq!(within(700.0, 800.0), None);
        assert!((within(550.0, 950.0).unwrap() - 6e-3).abs() < 1e-12, "it came back after a test elsewhere");
    }
}
