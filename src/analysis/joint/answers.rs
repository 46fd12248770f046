//! How the field of the tip answers to the gap, which the spin and the setpoint both move.
//!
//! The loop keeps the current, I ∝ (1 ± P m)·exp(-2κz): with the order m of the spin the gap goes by ±ln(1 ± P m)/2κ, with
//! the setpoint by -ln(I)/2κ. To the field of the tip it is all one why the gap has gone. So spectra at other setpoints tell
//! how much of a slope is alignment, which none at the same one can.

/// Fields over which spins align, T: 2kT/gμB is 0.4 T to 0.6 T for a spin one half at 0.3 K. Where the current depends on how
/// far spin and tip are aligned, the gap that the loop keeps goes with it, and the field of the tip with the gap: as
/// tanh(B/B0), Brillouin's function of a spin one half (textbook), if both were small. As the field falls exponentially with
/// the gap, and that goes with a logarithm, it bends less, like a tanh over 0.5 T to 0.7 T.
pub(super) const ALIGN_T: [f64; 2] = [0.5, 0.7];
/// ln(1 + P) of a usual tip, P = 0.3: what full alignment does to the logarithm of the current.
pub(super) const USUAL: f64 = 0.262;
/// The same of tips that show a resonance, P from 0.2 to 0.45, in units of the usual: -ln(1 - P) where aligned spins conduct
/// worse, and -ln(1 + P) where they conduct better. So close to each other that where the answer is large, and low fields tell
/// how strong the tip is, what lies between two of them is no error to speak of.
const WORSE: [f64; 6] = [0.8, 1.1, 1.4, 1.7, 2.0, 2.3];
const BETTER: [f64; 6] = [-0.6, -0.75, -0.9, -1.05, -1.2, -1.4];
/// How much the answer bends, in units of itself for a gap that goes by a unit: an exchange that decays over 60 pm, of which
/// 11 pm are a unit, bends by half the square of that; where the dipole takes the slope of it away the bend is left.
const BENDS: f64 = 0.2;

/// One way in which the field of the tip may answer.
pub(super) struct Answer {
    /// How far it goes at each centre beyond what it is at the mean field and the setpoint of most, in units of what full
    /// alignment does under a usual tip.
    pub along: Vec<f64>,
    /// The same of a bend, which is as likely to go either way.
    pub bend: Option<Vec<f64>>,
}

/// All ways in which it may answer. At resonance the spin is less aligned: a line that raises the current says that aligned
/// spins conduct worse.
pub(super) fn answers((fields, mean_t): (&[f64], f64), setpoints: &[f64], raises: bool) -> Vec<Answer> {
    let beyond = |over_t: f64| move |b: &f64| (b / over_t).tanh() - (mean_t / over_t).tanh();
    if setpoints.iter().all(|log| *log == 0.0) {
        let of = |over_t: &f64| fields.iter().map(beyond(*over_t)).collect();
        return ALIGN_T.iter().map(|over_t| Answer { along: of(over_t), bend: None }).collect();
    }
    let of = |(part, over_t): (f64, f64)| {
        let aligned = fields.iter().map(beyond(over_t));
        let along: Vec<f64> =
            aligned.zip(setpoints).map(|(aligned, log)| part * aligned + log / USUAL).collect();
        let bend = along.iter().map(|gap| BENDS * gap * gap).collect();
        Answer { along, bend: Some(bend) }
    };
    let parts = if raises { WORSE } else { BETTER };
    parts.iter().flat_map(|part| ALIGN_T.map(|over_t| of((*part, over_t)))).collect()
}
