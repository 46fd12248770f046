//! Pieces of an invented laboratory, for the tests of single rooms.

use noctule_sim::cryo::{BathParams, CryostatParams, PotParams, StageParams, TransferParams};
use noctule_sim::magnet::{MagnetParams, RampSegment, SwitchParams};
use noctule_sim::rf::{LineResonance, RfLine, RfSourceParams, StandingWave};
use noctule_sim::vacuum::ChamberParams;

/// A piece with usual numbers.
pub trait Example {
    fn example() -> Self;
}

impl Example for RfSourceParams {
    /// 0.1 to 40 GHz, −60 to +20 dBm, levelled to +16 dBm at the top, no drop-outs.
    fn example() -> Self {
        Self {
            frequency_min_hz: 0.1e9,
            frequency_max_hz: 40e9,
            level_min_dbm: -60.0,
            level_max_dbm: 20.0,
            levelled_low_dbm: 20.0,
            levelled_high_dbm: 16.0,
            level_step_db: 0.01,
            flatness: vec![StandingWave { amplitude_db: 0.15, delay_s: 0.35e-9, phase_rad: 1.0 }],
            dropouts_per_h: 0.0,
            dropout_mean_s: 20.0,
        }
    }
}

impl Example for RfLine {
    /// A line of an invented instrument: 26 dB at 10 GHz, ripple of some dB, one dip.
    fn example() -> Self {
        Self {
            fixed_loss_db: 10.0,
            conductor_loss_db: 14.0,
            insulation_loss_db: 2.0,
            reference_hz: 10e9,
            waves: vec![
                StandingWave { amplitude_db: 1.6, delay_s: 4.1e-9, phase_rad: 0.4 },
                StandingWave { amplitude_db: 0.9, delay_s: 11.3e-9, phase_rad: 2.1 },
                StandingWave { amplitude_db: 0.4, delay_s: 27.0e-9, phase_rad: 5.0 },
            ],
            resonances: vec![LineResonance { centre_hz: 14.2e9, fwhm_hz: 90e6, height_db: -6.0 }],
        }
    }
}

impl Example for BathParams {
    /// 70 L losing 15 L a day from static load alone: a refill every third or fourth day
    /// (common practice).
    fn example() -> Self {
        Self {
            capacity_l: 70.0,
            initial_l: 66.0,
            static_load_w: 0.45,
            gauge_noise_l: 0.08,
            gauge_resolution_l: 0.1,
            refill_l_h: 60.0,
        }
    }
}

impl Example for PotParams {
    /// One mole at 0.3 K under 85 µW: 79 h from one condensation.
    fn example() -> Self {
        Self {
            base_k: 0.300,
            static_load_w: 85e-6,
            warming_k_w: 250.0,
            charge_mol: 1.0,
            condensed_part: 0.9,
            initial_part: 0.95,
            cooling_tau_s: 420.0,
            dry_k: 1.9,
            dry_tau_s: 2400.0,
            condensing_k: 1.6,
            condensing_tau_s: 600.0,
            condensing_s: 4500.0,
            condensing_bath_w: 1.2,
            condensing_min_l: 8.0,
            empty_bath_w: 0.03,
            empty_bath_k: 90.0,
            empty_bath_tau_s: 72_000.0,
        }
    }
}

impl Example for StageParams {
    /// Follows the pot within minutes; 0.1 mW of RF warms it by about 8 mK.
    fn example() -> Self {
        Self {
            tau_s: 90.0,
            warming_k_w: 600.0,
            rf_part: 0.1,
            rf_bath_part: 0.5,
            eddy_w_s2_t2: 7.0,
            thermometer_noise: 3e-4,
        }
    }
}

impl Example for CryostatParams {
    /// The cryostat of the invented laboratory: a refill every third or fourth day (common
    /// practice), a pot that lasts about as long, 0.3 K.
    fn example() -> Self {
        Self {
            bath: BathParams::example(),
            pot: PotParams::example(),
            stage: StageParams::example(),
            transfer: TransferParams::default(),
        }
    }
}

impl Example for MagnetParams {
    /// 10 H and 60 A for 6 T, slower above 4 T.
    fn example() -> Self {
        Self {
            inductance_h: 10.0,
            current_limit_a: 60.0,
            tesla_per_ampere: 0.1,
            segments: vec![
                RampSegment { up_to_t: 2.0, rate_t_s: 5e-3 },
                RampSegment { up_to_t: 4.0, rate_t_s: 3e-3 },
                RampSegment { up_to_t: 6.0, rate_t_s: 1.2e-3 },
            ],
            lead_ohm: 0.01,
            lead_heat_w_a: 2.5e-3,
            lag_s: 0.8,
            remanence_t: 1.5e-3,
            remanence_width_t: 0.03,
            reading_noise_t: 5e-6,
            switch: Some(SwitchParams {
                switch_s: 45.0,
                heater_w: 0.06,
                lead_rate_a_s: 1.0,
                decay_per_h: 1e-6,
            }),
            quench_tau_s: 3.0,
            quench_clamp_v: 8.0,
            quench_bath_part: 1.0,
            quench_below_l: 2.0,
        }
    }
}

impl Example for ChamberParams {
    /// A microscope's chamber at 5·10⁻¹¹ mbar.
    fn example() -> Self {
        Self {
            base_pa: 5e-9,
            initial_excess_pa: 0.0,
            pump_tau_s: 4.0,
            bursts_per_h: 0.0,
            burst_mean_pa: 2e-8,
            gauge_noise: 0.03,
            gauge_min_pa: 1e-9,
            gauge_digits: 3,
        }
    }
}
