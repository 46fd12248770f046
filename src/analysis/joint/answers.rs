//! How the field of the tip answers to the gap, which the spin and the setpoint both move.
//!
//! The loop keeps the current, I ∝ (1 ± P m)·exp(-2κz): with the order m of the spin the gap goes by ±ln(1 + P m)/2κ, with
//! the setpoint by -ln(I)/2κ. To the field of the tip it is all one why the gap has gone. So a spectrum at another setpoint
//! tells how much of a slope is alignment, which no spectrum at the same one can.

/// Fields over which spins align, T: 2kT/gμB is 0.4 T to 0.6 T for a spin one half at 0.3 K. Where the current depends on how
/// far spin and tip are aligned, the gap that the loop keeps goes with it, and the field of the tip with the gap: as
/// tanh(B/B0), Brillouin's function of a spin one half (textbook), if both were small. As the field falls exponentially with
/// the gap, and that goes with a logarithm, it bends less, like a tanh over 0.5 T to 0.7 T.
const ALIGN_T: [f64; 2] = [0.5, 0.7];
/// The same in one number, where the size of the answer is measured.
const USUAL_T: f64 = 0.6;
/// ln(1 + P) of a usual tip, P = 0.3: what full alignment does to the logarithm of the current.
const USUAL: f64 = 0.262;
/// The same of weak tips and strong ones, P = 0.14 and 0.4, in units of the usual: -ln(1 - P) where aligned spins conduct
/// worse, and -ln(1 + P) where they conduct better.
const WORSE: [f64; 2] = [0.6, 1.9];
const BETTER: [f64; 2] = [-0.5, -1.3];
/// Setpoints that differ by less than this, as a logarithm, tell nothing.
pub(super) const ALIKE: f64 = 0.02;

/// For each way in which the field of the tip may answer, how far it goes at each centre beyond what it is at the mean field
/// and the setpoint of most, in units of what full alignment does under a usual tip. At resonance the spin is less aligned: a
/// line that raises the current says that aligned spins conduct worse.
pub(super) fn answers((fields, mean_t): (&[f64], f64), setpoints: &[f64], raises: bool) -> Vec<Vec<f64>> {
    let beyond = |over_t: f64| move |b: &f64| (b / over_t).tanh() - (mean_t / over_t).tanh();
    if setpoints.iter().all(|log| log.abs() < ALIKE) {
        return ALIGN_T.iter().map(|over_t| fields.iter().map(beyond(*over_t)).collect()).collect();
    }
    let of = |part: &f64| {
        let aligned = fields.iter().map(beyond(USUAL_T));
        aligned.zip(setpoints).map(|(aligned, log)| part * aligned + log / USUAL).collect()
    };
    if raises { WORSE } else { BETTER }.iter().map(of).collect()
}
