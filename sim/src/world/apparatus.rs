//! Junction, scanner, drift, lock-in and RF of a world file.

use super::cryogenics::checked;
use super::section::{Range, Section};
use crate::document::{Node, Problem};
use crate::drift::DriftLaw;
use crate::lockin::LockinParams;
use crate::rf::{LineResonance, RfLine, RfSourceParams, StandingWave};
use crate::tunnel::{Amplifier, Shape, Step};

/// The tunnel junction over bare film, and the amplifier behind it.
#[derive(Debug, Clone, PartialEq)]
pub struct Junction {
    /// Work function, eV.
    pub work_function_ev: f64,
    /// Current against bias over bare film.
    pub shape: Shape,
    /// Part of the elastic conductance that a spin's own excitation adds.
    pub spin_step_fraction: f64,
    /// Electrons stay at least this warm, K.
    pub electron_floor_k: f64,
    /// How far to the side a spin is still seen: standard deviation, m.
    pub lateral_m: f64,
    /// The amplifier.
    pub amplifier: Amplifier,
    /// Bias offset at the amplifier's input, V: the bias is never quite zero.
    pub offset_v: f64,
}

/// The scanner, its loop and the coarse motor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scanner {
    /// Largest coordinate along x and y, m.
    pub range_m: f64,
    /// Bandwidth of the height loop, Hz.
    pub bandwidth_hz: f64,
    /// Noise of the height reading, m.
    pub height_noise_m: f64,
    /// How far the tip is pulled back when it is withdrawn, m.
    pub withdraw_m: f64,
    /// Speed of an approach, m/s.
    pub approach_m_s: f64,
    /// How exactly the tip lands where it was: standard deviation, m.
    pub landing_m: f64,
    /// One step of the coarse motor, m.
    pub coarse_step_m: f64,
    /// Chance that an approach ends in the surface.
    pub crash_chance: f64,
}

pub(super) fn steps(nodes: Vec<Node<'_>>, problems: &mut Vec<Problem>) -> Vec<Step> {
    let read = |node: Node<'_>, problems: &mut Vec<Problem>| {
        let mut step = Section::open(node, problems);
        let energy_ev = step.scaled("energy_mev", Range::Positive, 1e-3);
        let fraction = step.number("fraction", Range::Within(0.0, 10.0));
        step.finish();
        Step { energy_ev, fraction }
    };
    nodes.into_iter().map(|node| read(node, problems)).collect()
}

pub(super) fn junction(node: Node<'_>, problems: &mut Vec<Problem>) -> Junction {
    let mut junction = Section::open(node, problems);
    let step_nodes = junction.list("film_steps");
    let shape = Shape {
        quadratic_per_v: junction.number("quadratic_per_v", Range::Within(-5.0, 5.0)),
        cubic_per_v2: junction.number("cubic_per_v2", Range::NotNegative),
        steps: steps(step_nodes, junction.problems),
    };
    let amplifier = Amplifier {
        feedback_ohm: junction.number("feedback_ohm", Range::Positive),
        feedback_k: junction.number("feedback_k", Range::Positive),
        bandwidth_hz: junction.number("amplifier_bandwidth_hz", Range::Positive),
        range_a: junction.scaled("amplifier_range_na", Range::Positive, 1e-9),
        flicker_relative: junction.number("flicker_relative", Range::NotNegative),
        vibration_m: junction.scaled("vibration_pm_rthz", Range::NotNegative, 1e-12),
    };
    let read = Junction {
        work_function_ev: junction.number("work_function_ev", Range::Within(0.5, 10.0)),
        shape,
        spin_step_fraction: junction.number("spin_step_fraction", Range::Within(0.0, 10.0)),
        electron_floor_k: junction.number("electron_floor_k", Range::Positive),
        lateral_m: junction.scaled("lateral_nm", Range::Positive, 1e-9),
        amplifier,
        offset_v: junction.scaled("offset_mv", Range::Positive, 1e-3),
    };
    junction.finish();
    read
}

pub(super) fn scanner(node: Node<'_>, problems: &mut Vec<Problem>) -> Scanner {
    let mut scanner = Section::open(node, problems);
    let read = Scanner {
        range_m: scanner.scaled("range_nm", Range::Positive, 1e-9),
        bandwidth_hz: scanner.number("loop_bandwidth_hz", Range::Positive),
        height_noise_m: scanner.scaled("height_noise_pm", Range::NotNegative, 1e-12),
        withdraw_m: scanner.scaled("withdraw_nm", Range::Positive, 1e-9),
        approach_m_s: scanner.scaled("approach_nm_s", Range::Positive, 1e-9),
        landing_m: scanner.scaled("landing_scatter_nm", Range::NotNegative, 1e-9),
        coarse_step_m: scanner.scaled("coarse_step_nm", Range::Positive, 1e-9),
        crash_chance: scanner.number("approach_crash_chance", Range::Fraction),
    };
    scanner.finish();
    read
}

pub(super) fn drift(node: Node<'_>, problems: &mut Vec<Problem>) -> DriftLaw {
    let mut drift = Section::open(node, problems);
    let law = DriftLaw {
        velocity_m_s: drift.numbers("velocity_pm_s", Range::Within(-100.0, 100.0), 1e-12),
        wander_m_s: drift.scaled("wander_pm_s", Range::NotNegative, 1e-12),
        wander_s: drift.scaled("wander_min", Range::Positive, 60.0),
        creep_fraction: drift.number("creep_fraction", Range::Within(0.0, 0.2)),
    };
    drift.finish();
    law
}

pub(super) fn lockin(node: Node<'_>, problems: &mut Vec<Problem>) -> LockinParams {
    let before = problems.len();
    let mut lockin = Section::open(node, problems);
    let params = LockinParams {
        reference_hz: lockin.number("reference_hz", Range::Positive),
        chop_duty: lockin.number("chop_duty", Range::Within(0.01, 0.99)),
        overload_a: lockin.scaled("overload_na", Range::Positive, 1e-9),
    };
    checked(&mut lockin, before, params.check());
    lockin.finish();
    params
}

pub(super) fn rf(node: Node<'_>, problems: &mut Vec<Problem>) -> (RfSourceParams, RfLine) {
    let before = problems.len();
    let mut rf = Section::open(node, problems);
    let source = RfSourceParams {
        frequency_min_hz: rf.scaled("frequency_min_ghz", Range::Positive, 1e9),
        frequency_max_hz: rf.scaled("frequency_max_ghz", Range::Positive, 1e9),
        level_min_dbm: rf.number("level_min_dbm", Range::Any),
        level_max_dbm: rf.number("level_max_dbm", Range::Any),
        levelled_low_dbm: rf.number("levelled_low_dbm", Range::Any),
        levelled_high_dbm: rf.number("levelled_high_dbm", Range::Any),
        level_step_db: rf.number("level_step_db", Range::NotNegative),
        flatness: waves(rf.list("flatness"), rf.problems),
        dropouts_per_h: rf.number("dropouts_per_h", Range::NotNegative),
        dropout_mean_s: rf.number("dropout_mean_s", Range::Positive),
    };
    checked(&mut rf, before, source.check());
    let line = RfLine {
        fixed_loss_db: rf.number("fixed_loss_db", Range::NotNegative),
        conductor_loss_db: rf.number("conductor_loss_db", Range::NotNegative),
        insulation_loss_db: rf.number("insulation_loss_db", Range::NotNegative),
        reference_hz: rf.scaled("loss_reference_ghz", Range::Positive, 1e9),
        waves: waves(rf.list("ripple"), rf.problems),
        resonances: resonances(rf.list("resonances"), rf.problems),
    };
    checked(&mut rf, before, line.check());
    rf.finish();
    (source, line)
}

fn waves(nodes: Vec<Node<'_>>, problems: &mut Vec<Problem>) -> Vec<StandingWave> {
    let read = |node: Node<'_>, problems: &mut Vec<Problem>| {
        let mut wave = Section::open(node, problems);
        let amplitude_db = wave.number("amplitude_db", Range::NotNegative);
        let delay_s = wave.scaled("delay_ns", Range::Positive, 1e-9);
        let phase_rad = wave.number("phase_rad", Range::Any);
        wave.finish();
        StandingWave { amplitude_db, delay_s, phase_rad }
    };
    nodes.into_iter().map(|node| read(node, problems)).collect()
}

fn resonances(nodes: Vec<Node<'_>>, problems: &mut Vec<Problem>) -> Vec<LineResonance> {
    let read = |node: Node<'_>, problems: &mut Vec<Problem>| {
        let mut resonance = Section::open(node, problems);
        let centre_hz = resonance.scaled("centre_ghz", Range::Positive, 1e9);
        let fwhm_hz = resonance.scaled("fwhm_mhz", Range::Positive, 1e6);
        let height_db = resonance.number("height_db", Range::Any);
        resonance.finish();
        LineResonance { centre_hz, fwhm_hz, height_db }
    };
    nodes.into_iter().map(|node| read(node, problems)).collect()
}
