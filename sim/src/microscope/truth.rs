//! What the world really is, for checks.

use super::Microscope;
use super::junction::zeeman_ghz;
use super::response::Response;
use crate::tip::Apex;
use serde::Serialize;

/// One spin as it really is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpinTruth {
    /// Name of its site.
    pub name: String,
    /// Name of its species.
    pub species: String,
    /// False once the tip has picked it up.
    pub present: bool,
    /// Moment in Bohr magnetons that its line shows with the field along x, y, z: `f = 2μB/h`.
    pub moment_mub: [f64; 3],
    /// Where it is now in the scanner's frame, drift and creep included, m: put the tip there to sit on it.
    pub at_m: [f64; 2],
    /// Zeeman frequency without nucleus, neighbours and tip, Hz.
    pub zeeman_hz: f64,
}

/// The microscope as it really is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Truth {
    /// All spins, in the order of the world file.
    pub spins: Vec<SpinTruth>,
    /// Index of the spin under the tip, if one is near enough to be seen.
    pub under_tip: Option<usize>,
    /// Distance from the tip to that spin along the surface, m.
    pub miss_m: Option<f64>,
    /// The tip's apex.
    pub apex: Apex,
    /// State of the apex.
    pub tip_up: bool,
    /// Field of the tip on the spin under it, T (x, y, z); zero without one.
    pub tip_field_t: [f64; 3],
    /// Frequencies of its lines, Hz, strongest drive first.
    pub lines_hz: Vec<f64>,
    /// Gap, m; infinite with the tip withdrawn.
    pub gap_m: f64,
    /// Current without noise, A.
    pub current_a: f64,
    /// RF amplitude at the junction, zero-to-peak V.
    pub rf_amplitude_v: f64,
    /// Field at the sample, T (x, y, z).
    pub field_t: [f64; 3],
    /// Temperature of the stage, K.
    pub stage_k: f64,
    /// Helium in the bath, litres.
    pub helium_l: f64,
    /// Drift of the sample since the start, m (x, y, z).
    pub drift_m: [f64; 3],
    /// Times the tip has touched the surface.
    pub crashes: u32,
}

impl Microscope {
    /// The world as it is now, without noise. Changes nothing.
    pub fn truth(&self) -> Truth {
        let approached = self.motion.approached;
        let junction = approached.then(|| self.junction().0);
        let near = junction.and_then(|junction| junction.spin);
        let lag_m = self.drift.creep_m(self.now_s);
        let drift_m = self.drift.sample_m(self.now_s);
        let field_t = self.plant.field_t();
        let mut spins = Vec::new();
        let mut under_tip = None;
        for (index, site) in self.surface.sites.iter().enumerate() {
            let species = self.surface.species_of(index);
            if !species.is_magnetic() {
                continue;
            }
            if near.is_some_and(|near| near.site == index) {
                under_tip = Some(spins.len());
            }
            spins.push(SpinTruth {
                name: site.name.clone(),
                species: species.name.clone(),
                present: site.present,
                moment_mub: species.moment_mub(),
                at_m: [0, 1].map(|i| site.at_m[i] + drift_m[i] - lag_m[i]),
                zeeman_hz: zeeman_ghz(species, field_t) * 1e9,
            });
        }
        let mut lines = Vec::new();
        if let Some(place) = junction.and_then(|junction| self.place(&junction)) {
            let mut response = Response::new();
            let spectrum = response.spectrum(&self.surface, &place);
            let list = spectrum.lines.list().iter();
            lines.extend(list.map(|line| (line.relative_rabi_squared, line.at_hz(&spectrum.off_t))));
        }
        lines.sort_by(|a, b| b.0.total_cmp(&a.0));
        let tip_field_t = match (near, junction) {
            (Some(near), Some(junction)) => self.tip_field_on_t(&near, junction.gap_m),
            _ => [0.0; 3],
        };
        Truth {
            spins,
            under_tip,
            miss_m: near.map(|near| near.offset_m[0].hypot(near.offset_m[1])),
            apex: self.tip.apex,
            tip_up: self.tip.switching.is_up(),
            tip_field_t,
            lines_hz: lines.iter().map(|line| line.1).collect(),
            gap_m: junction.map_or(f64::INFINITY, |junction| junction.gap_m),
            current_a: junction.map_or(0.0, |junction| junction.current_a()),
            rf_amplitude_v: self.plant.amplitude_v(),
            field_t,
            stage_k: self.plant.stage_k(),
            helium_l: self.plant.helium_l(),
            drift_m,
            crashes: self.tip.crashes,
        }
    }
}
