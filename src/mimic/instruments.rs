//! The five instruments and their commands.
//!
//! Headers are SCPI's own where it has one for the purpose and in its style where it has none.
//! A command that can be set and asked has both forms, `VOLT 0.05` and `VOLT?`.
//!
//! | instrument | commands |
//! |---|---|
//! | `electronics` | `[SOURce:]VOLTage[:LEVel]` bias, V · `[SOURce:]CURRent[:LEVel]` setpoint, A · `FEEDback[:STATe]` · `[SOURce:]POSition:X`, `:Y` m · `MEASure:CURRent?` A · `MEASure:HEIGht?` m · `TIP:NEAR?` tip in range · `TASK:…` · `ABORt` |
//! | `magnet` | `[SOURce:]FIELd:Z`, `:X` target, T · `MEASure:FIELd:Z?`, `:X?` T · `MEASure:VOLTage?` V |
//! | `source` | `[SOURce:]FREQuency[:CW]` Hz · `[SOURce:]POWer[:LEVel]` dBm · `OUTPut[:STATe]` |
//! | `lockin` | `FETCh?` in-phase and quadrature, A · `[SENSe:]DETector:REFerence` 0, 1, 2 · `SOURce:VOLTage[:AMPLitude]` modulation, V · `[SENSe:]DETector:TAU` time constant, s · `[SENSe:]DETector:POLes` · `STATus:QUEStionable:CONDition?`, bit 0 is an overload of the input |
//! | `monitors` | `[SOURce:]POWer[:LEVel]` heater on the stage, W · `MEASure:TEMPerature:STAGe?`, `:POT?` K · `MEASure:LEVel:HELium?` L · `MEASure:PRESsure:CHAMber?`, `:PREParation?` mbar |
//!
//! Tasks: `TASK:APPRoach`, `WITHdraw`, `COARse n`, `SHIFt x,y` (coarse steps), `MOVE x,y,speed`, `PULSe volts,length`, `PICK`, `DROP`,
//! `TRACe "signal",samples,interval`, `IMAGe x,y,size,pixels,line`, `REGenerate`, `PERSist 0|1`, and
//! `REFill litres` for the operator; `TASK:BUSY?`, `TASK:REPort?`, `TASK:DATA?` in SI.
//!
//! All of them: `*IDN? *RST *CLS *ESR? *ESE *SRE *STB? *OPC *OPC? *WAI *TST?`, `SYSTem:ERRor[:NEXT]?`,
//! `SYSTem:ERRor:COUNt?`, `SYSTem:VERSion?`, `SYSTem:PACE`, `SYSTem:ELAPsed?` (simulated seconds).

use super::tasks::Word;
use noctule_sim::Signal;

/// One instrument of the mimic.
#[derive(Debug)]
pub struct InstrumentSpec {
    /// Its name in messages, faults files and its identity.
    pub name: &'static str,
    pub(super) commands: &'static [(&'static str, Does)],
    /// What `*RST` sets.
    pub(super) reset: &'static [(Signal, f64)],
    /// What it comes back with after its power was off.
    pub(super) power_on: &'static [(Signal, f64)],
}

/// What a command does.
#[derive(Debug, Clone, Copy)]
pub(super) enum Does {
    /// Sets and reads a signal, in units of so many of the signal's own.
    Knob(Signal),
    /// Sets where a field goes to, and says where that is.
    Target(Signal),
    /// Only reads it, divided by a size.
    Gauge(Signal, f64),
    /// Reads in-phase and quadrature.
    Fetch,
    /// Something about tasks.
    Task(Word),
}

use Does::{Fetch, Gauge, Knob, Target, Task};

/// Pascals in a millibar.
const MBAR: f64 = 100.0;

/// The instruments, in the order of their ports.
pub const INSTRUMENTS: &[InstrumentSpec] = &[
    InstrumentSpec {
        name: "electronics",
        commands: &[
            ("[SOURce]:VOLTage:[LEVel]", Knob(Signal::Bias)),
            ("[SOURce]:CURRent:[LEVel]", Knob(Signal::Setpoint)),
            ("MEASure:CURRent", Gauge(Signal::Current, 1.0)),
            ("MEASure:HEIGht", Gauge(Signal::Height, 1.0)),
            ("TIP:NEAR", Gauge(Signal::Approached, 1.0)),
            ("[SOURce]:POSition:X", Knob(Signal::TipX)),
            ("[SOURce]:POSition:Y", Knob(Signal::TipY)),
            ("FEEDback:[STATe]", Knob(Signal::Feedback)),
            ("TASK:BUSY", Task(Word::Busy)),
            ("TASK:REPort", Task(Word::Report)),
            ("TASK:DATA", Task(Word::Data)),
            ("TASK:APPRoach", Task(Word::Approach)),
            ("TASK:WITHdraw", Task(Word::Withdraw)),
            ("TASK:COARse", Task(Word::Coarse)),
            ("TASK:SHIFt", Task(Word::Shift)),
            ("TASK:MOVE", Task(Word::Move)),
            ("TASK:PULSe", Task(Word::Pulse)),
            ("TASK:PICK", Task(Word::Pick)),
            ("TASK:PUT", Task(Word::PutDown)),
            ("TASK:TRACe", Task(Word::Trace)),
            ("TASK:IMAGe", Task(Word::Image)),
            ("TASK:REGenerate", Task(Word::Regenerate)),
            ("TASK:PERSist", Task(Word::Persist)),
            ("TASK:REFill", Task(Word::Refill)),
            ("ABORt", Task(Word::Abort)),
        ],
        reset: &[(Signal::Bias, 0.05), (Signal::Setpoint, 10e-12), (Signal::Feedback, 1.0)],
        power_on: &[(Signal::Bias, 0.05), (Signal::Setpoint, 10e-12), (Signal::Feedback, 1.0)],
    },
    InstrumentSpec {
        name: "magnet",
        commands: &[
            ("[SOURce]:FIELd:Z", Target(Signal::FieldZ)),
            ("[SOURce]:FIELd:X", Target(Signal::FieldX)),
            ("MEASure:FIELd:Z", Gauge(Signal::FieldZ, 1.0)),
            ("MEASure:FIELd:X", Gauge(Signal::FieldX, 1.0)),
            ("MEASure:VOLTage", Gauge(Signal::MagnetVoltage, 1.0)),
        ],
        // A field stays where it is: bringing it down is nothing to do by the way.
        reset: &[],
        power_on: &[],
    },
    InstrumentSpec {
        name: "source",
        commands: &[
            ("[SOURce]:FREQuency:[CW]", Knob(Signal::RfFrequency)),
            ("[SOURce]:POWer:[LEVel]", Knob(Signal::RfLevel)),
            ("OUTPut:[STATe]", Knob(Signal::RfOutput)),
        ],
        reset: &[(Signal::RfOutput, 0.0)],
        power_on: &[(Signal::RfOutput, 0.0), (Signal::RfLevel, -60.0)],
    },
    InstrumentSpec {
        name: "lockin",
        commands: &[
            ("FETCh", Fetch),
            ("[SENSe]:DETector:REFerence", Knob(Signal::LockinReference)),
            ("SOURce:VOLTage:[AMPLitude]", Knob(Signal::LockinModulation)),
            ("[SENSe]:DETector:TAU", Knob(Signal::LockinTimeConstant)),
            ("[SENSe]:DETector:POLes", Knob(Signal::LockinOrder)),
            ("STATus:QUEStionable:CONDition", Gauge(Signal::LockinOverload, 1.0)),
        ],
        reset: &[(Signal::LockinModulation, 0.0), (Signal::LockinReference, 0.0)],
        power_on: &[(Signal::LockinModulation, 0.0), (Signal::LockinReference, 0.0)],
    },
    InstrumentSpec {
        name: "monitors",
        commands: &[
            ("[SOURce]:POWer:[LEVel]", Knob(Signal::StageHeater)),
            ("MEASure:TEMPerature:STAGe", Gauge(Signal::StageTemperature, 1.0)),
            ("MEASure:TEMPerature:POT", Gauge(Signal::PotTemperature, 1.0)),
            ("MEASure:LEVel:HELium", Gauge(Signal::HeliumLevel, 1.0)),
            ("MEASure:PRESsure:CHAMber", Gauge(Signal::ChamberPressure, MBAR)),
            ("MEASure:PRESsure:PREParation", Gauge(Signal::PreparationPressure, MBAR)),
        ],
        reset: &[(Signal::StageHeater, 0.0)],
        power_on: &[(Signal::StageHeater, 0.0)],
    },
];

/// A value as it is answered: NR1 for what counts, NR3 for what measures; 9.91E+37 for no number, 9.9E+37 for infinity.
pub(super) fn answer(signal: Signal, value: f64) -> String {
    if value.is_finite() && signal.unit().is_empty() && value.fract() == 0.0 {
        return format!("{value:.0}");
    }
    number(value)
}

/// A number as NR3 response data, in the fewest digits that lead back to it.
pub(super) fn number(value: f64) -> String {
    if value.is_nan() {
        return "9.91E+37".to_owned();
    }
    if value.is_infinite() {
        return if value > 0.0 { "9.9E+37" } else { "-9.9E+37" }.to_owned();
    }
    let text = format!("{value:E}");
    let (mantissa, exponent) = text.split_once('E').unwrap_or((&text, "0"));
    let point = if mantissa.contains('.') { "" } else { ".0" };
    let (sign, digits) = match exponent.strip_prefix('-') {
        Some(digits) => ('-', digits),
        None => ('+', exponent),
    };
    format!("{mantissa}{point}E{sign}{digits:0>2}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_the_form_of_the_standard_and_lead_back() {
        assert_eq!(number(0.05), "5.0E-02");
        assert_eq!(number(-1.25e-11), "-1.25E-11");
        assert_eq!(number(0.0), "0.0E+00");
        assert_eq!(number(f64::NAN), "9.91E+37");
        assert_eq!(answer(Signal::Feedback, 1.0), "1");
        for value in [1.0 / 3.0, -2.345678901234567e-15, 14.2e9, f64::MIN_POSITIVE] {
            assert_eq!(number(value).parse::<f64>(), Ok(value));
        }
    }

    #[test]
    fn every_signal_is_served_and_everything_settable_can_be_set() {
        let commands = || INSTRUMENTS.iter().flat_map(|instrument| instrument.commands);
        for signal in Signal::ALL {
            let read = commands().any(|(_, does)| match does {
                Knob(other) | Gauge(other, _) => *other == signal,
                Fetch => matches!(signal, Signal::LockinX | Signal::LockinY),
                _ => false,
            });
            let set =
                commands().any(|(_, does)| matches!(does, Knob(other) | Target(other) if *other == signal));
            assert!(read, "{signal:?} can't be read");
            assert_eq!(set, signal.settable(), "{signal:?}");
        }
    }
}
