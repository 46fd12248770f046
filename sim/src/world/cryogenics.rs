//! Cryostat, magnet and vacuum of a world file. The rooms check their own numbers.

use super::section::{Range, Section};
use crate::cryo::{BathParams, CryostatParams, PotParams, StageParams, TransferParams};
use crate::document::{Node, Problem};
use crate::magnet::{MagnetParams, RampSegment, SwitchParams};
use crate::vacuum::ChamberParams;

/// Adds a room's own complaints, unless a number was missing or wrong already.
pub(super) fn checked(section: &mut Section<'_, '_>, problems_before: usize, complaints: Vec<String>) {
    if section.problems.len() == problems_before {
        for complaint in complaints {
            section.complain(complaint);
        }
    }
}

pub(super) fn cryostat(node: Node<'_>, problems: &mut Vec<Problem>) -> CryostatParams {
    let mut cryo = Section::open(node, problems);
    let mut params = CryostatParams::example();
    if let Some(node) = cryo.need("bath") {
        params.bath = bath(node, cryo.problems);
    }
    if let Some(node) = cryo.need("pot") {
        params.pot = pot(node, cryo.problems);
    }
    if let Some(node) = cryo.need("stage") {
        params.stage = stage(node, cryo.problems);
    }
    if let Some(node) = cryo.optional("transfer") {
        params.transfer = transfer(node, cryo.problems);
    }
    cryo.finish();
    params
}

fn transfer(node: Node<'_>, problems: &mut Vec<Problem>) -> TransferParams {
    let before = problems.len();
    let mut transfer = Section::open(node, problems);
    let params = TransferParams {
        stage_w: transfer.scaled("stage_mw", Range::Any, 1e-3),
        burst_pa: transfer.number("burst_pa", Range::Any),
        drift_m_s: transfer.numbers("drift_pm_s", Range::Any, 1e-12),
        drift_tau_s: transfer.scaled("drift_min", Range::Any, 60.0),
    };
    checked(&mut transfer, before, params.check());
    transfer.finish();
    params
}

fn bath(node: Node<'_>, problems: &mut Vec<Problem>) -> BathParams {
    let before = problems.len();
    let mut bath = Section::open(node, problems);
    let params = BathParams {
        capacity_l: bath.number("capacity_l", Range::Any),
        initial_l: bath.number("initial_l", Range::Any),
        static_load_w: bath.number("static_load_w", Range::Any),
        gauge_noise_l: bath.number("gauge_noise_l", Range::Any),
        gauge_resolution_l: bath.number("gauge_resolution_l", Range::Any),
        refill_l_h: bath.number("refill_l_h", Range::Any),
    };
    checked(&mut bath, before, params.check());
    bath.finish();
    params
}

fn pot(node: Node<'_>, problems: &mut Vec<Problem>) -> PotParams {
    let before = problems.len();
    let mut pot = Section::open(node, problems);
    let params = PotParams {
        base_k: pot.number("base_k", Range::Any),
        static_load_w: pot.number("static_load_w", Range::Any),
        warming_k_w: pot.number("warming_k_w", Range::Any),
        charge_mol: pot.number("charge_mol", Range::Any),
        condensed_part: pot.number("condensed_part", Range::Any),
        initial_part: pot.number("initial_part", Range::Any),
        cooling_tau_s: pot.number("cooling_tau_s", Range::Any),
        dry_k: pot.number("dry_k", Range::Any),
        dry_tau_s: pot.number("dry_tau_s", Range::Any),
        condensing_k: pot.number("condensing_k", Range::Any),
        condensing_tau_s: pot.number("condensing_tau_s", Range::Any),
        condensing_s: pot.number("condensing_s", Range::Any),
        condensing_bath_w: pot.number("condensing_bath_w", Range::Any),
        condensing_min_l: pot.number("condensing_min_l", Range::Any),
        empty_bath_w: pot.number("empty_bath_w", Range::Any),
        empty_bath_k: pot.number("empty_bath_k", Range::Any),
        empty_bath_tau_s: pot.number("empty_bath_tau_s", Range::Any),
    };
    checked(&mut pot, before, params.check());
    pot.finish();
    params
}

fn stage(node: Node<'_>, problems: &mut Vec<Problem>) -> StageParams {
    let before = problems.len();
    let mut stage = Section::open(node, problems);
    let params = StageParams {
        tau_s: stage.number("tau_s", Range::Any),
        warming_k_w: stage.number("warming_k_w", Range::Any),
        rf_part: stage.number("rf_part", Range::Any),
        rf_bath_part: stage.number("rf_bath_part", Range::Any),
        eddy_w_s2_t2: stage.number("eddy_w_s2_t2", Range::Any),
        thermometer_noise: stage.number("thermometer_noise", Range::Any),
    };
    checked(&mut stage, before, params.check());
    stage.finish();
    params
}

pub(super) fn magnet(node: Node<'_>, problems: &mut Vec<Problem>) -> MagnetParams {
    let before = problems.len();
    let mut magnet = Section::open(node, problems);
    let params = MagnetParams {
        inductance_h: magnet.number("inductance_h", Range::Any),
        current_limit_a: magnet.number("current_limit_a", Range::Any),
        tesla_per_ampere: magnet.number("tesla_per_ampere", Range::Any),
        segments: segments(magnet.list("segments"), magnet.problems),
        lead_ohm: magnet.number("lead_ohm", Range::Any),
        lead_heat_w_a: magnet.number("lead_heat_w_a", Range::Any),
        lag_s: magnet.number("lag_s", Range::Any),
        remanence_t: magnet.scaled("remanence_mt", Range::Any, 1e-3),
        remanence_width_t: magnet.scaled("remanence_width_mt", Range::Any, 1e-3),
        reading_noise_t: magnet.scaled("reading_noise_ut", Range::Any, 1e-6),
        switch: magnet.optional("switch").map(|node| switch(node, magnet.problems)),
        quench_tau_s: magnet.number("quench_tau_s", Range::Any),
        quench_clamp_v: magnet.number("quench_clamp_v", Range::Any),
        quench_bath_part: magnet.number("quench_bath_part", Range::Any),
        quench_below_l: magnet.number("quench_below_l", Range::Any),
    };
    checked(&mut magnet, before, params.check());
    magnet.finish();
    params
}

fn segments(nodes: Vec<Node<'_>>, problems: &mut Vec<Problem>) -> Vec<RampSegment> {
    let read = |node: Node<'_>, problems: &mut Vec<Problem>| {
        let mut segment = Section::open(node, problems);
        let up_to_t = segment.number("up_to_t", Range::Positive);
        let rate_t_s = segment.scaled("rate_mt_s", Range::Positive, 1e-3);
        segment.finish();
        RampSegment { up_to_t, rate_t_s }
    };
    nodes.into_iter().map(|node| read(node, problems)).collect()
}

fn switch(node: Node<'_>, problems: &mut Vec<Problem>) -> SwitchParams {
    let mut switch = Section::open(node, problems);
    let params = SwitchParams {
        switch_s: switch.number("switch_s", Range::Positive),
        heater_w: switch.number("heater_w", Range::NotNegative),
        lead_rate_a_s: switch.number("lead_rate_a_s", Range::Positive),
        decay_per_h: switch.number("decay_per_h", Range::Fraction),
    };
    switch.finish();
    params
}

pub(super) fn chamber(node: Node<'_>, problems: &mut Vec<Problem>) -> ChamberParams {
    let before = problems.len();
    let mut chamber = Section::open(node, problems);
    let params = ChamberParams {
        base_pa: chamber.number("base_pa", Range::Any),
        initial_excess_pa: chamber.number("initial_excess_pa", Range::Any),
        pump_tau_s: chamber.number("pump_tau_s", Range::Any),
        bursts_per_h: chamber.number("bursts_per_h", Range::Any),
        burst_mean_pa: chamber.number("burst_mean_pa", Range::Any),
        gauge_noise: chamber.number("gauge_noise", Range::Any),
        gauge_min_pa: chamber.number("gauge_min_pa", Range::Any),
        gauge_digits: chamber.whole_or("gauge_digits", 9, 3) as u32,
    };
    checked(&mut chamber, before, params.check());
    chamber.finish();
    params
}
