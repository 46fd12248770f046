//! Everything on the simulated microscope that can be set or read, by name.

/// One quantity at the instrument's terminals. Values are in SI units
/// throughout, levels in dBm, flags 0 or 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Signal {
    /// Sample bias, V. Set and read.
    Bias,
    /// Current that the height loop holds, A. Set and read.
    Setpoint,
    /// Height loop closed (1) or open (0). Set and read.
    Feedback,
    /// Tunnel current, A. Read.
    Current,
    /// Tip height from the loop, m, growing away from the surface. Read.
    Height,
    /// Tip position in the frame of the scanner, m. Set and read.
    TipX,
    /// Tip position in the frame of the scanner, m. Set and read.
    TipY,
    /// Tip is in tunnelling range (1) or withdrawn (0). Read.
    Approached,
    /// Magnetic field along z (out of the surface), T. Set (ramps at the supply's rate) and read.
    FieldZ,
    /// Magnetic field along x (in the surface), T. Set and read.
    FieldX,
    /// Voltage at the magnet's leads, V. Read.
    MagnetVoltage,
    /// RF source frequency, Hz. Set and read.
    RfFrequency,
    /// RF source level at its connector, dBm. Set and read.
    RfLevel,
    /// RF source on (1) or off (0). Set and read.
    RfOutput,
    /// Lock-in in-phase output, rms A. Read.
    LockinX,
    /// Lock-in quadrature output, rms A. Read.
    LockinY,
    /// Lock-in reference: 0 chopped RF, 1 bias modulation at the fundamental, 2 at the second harmonic.
    LockinReference,
    /// Bias modulation, zero-to-peak V. Set and read.
    LockinModulation,
    /// Lock-in time constant, s. Set and read.
    LockinTimeConstant,
    /// Lock-in filter order, 1 to 4. Set and read.
    LockinOrder,
    /// Lock-in input overloaded (1) or not (0). Read.
    LockinOverload,
    /// Temperature of the sample stage, K. Read.
    StageTemperature,
    /// Temperature of the condensation pot, K. Read.
    PotTemperature,
    /// Helium in the bath, litres (the one non-SI unit here: gauges show it so). Read.
    HeliumLevel,
    /// Pressure in the microscope's chamber, Pa. Read.
    ChamberPressure,
    /// Pressure in the preparation chamber, Pa. Read.
    PreparationPressure,
    /// Power of the heater on the sample stage, W. Set and read.
    StageHeater,
}

impl Signal {
    /// All of them, in a fixed order.
    pub const ALL: [Signal; 27] = [
        Signal::Bias,
        Signal::Setpoint,
        Signal::Feedback,
        Signal::Current,
        Signal::Height,
        Signal::TipX,
        Signal::TipY,
        Signal::Approached,
        Signal::FieldZ,
        Signal::FieldX,
        Signal::MagnetVoltage,
        Signal::RfFrequency,
        Signal::RfLevel,
        Signal::RfOutput,
        Signal::LockinX,
        Signal::LockinY,
        Signal::LockinReference,
        Signal::LockinModulation,
        Signal::LockinTimeConstant,
        Signal::LockinOrder,
        Signal::LockinOverload,
        Signal::StageTemperature,
        Signal::PotTemperature,
        Signal::HeliumLevel,
        Signal::ChamberPressure,
        Signal::PreparationPressure,
        Signal::StageHeater,
    ];

    /// The name used in files and on links.
    pub fn name(self) -> &'static str {
        match self {
            Signal::Bias => "bias",
            Signal::Setpoint => "setpoint",
            Signal::Feedback => "feedback",
            Signal::Current => "current",
            Signal::Height => "height",
            Signal::TipX => "tip_x",
            Signal::TipY => "tip_y",
            Signal::Approached => "approached",
            Signal::FieldZ => "field_z",
            Signal::FieldX => "field_x",
            Signal::MagnetVoltage => "magnet_voltage",
            Signal::RfFrequency => "rf_frequency",
            Signal::RfLevel => "rf_level",
            Signal::RfOutput => "rf_output",
            Signal::LockinX => "lockin_x",
            Signal::LockinY => "lockin_y",
            Signal::LockinReference => "lockin_reference",
            Signal::LockinModulation => "lockin_modulation",
            Signal::LockinTimeConstant => "lockin_time_constant",
            Signal::LockinOrder => "lockin_order",
            Signal::LockinOverload => "lockin_overload",
            Signal::StageTemperature => "stage_temperature",
            Signal::PotTemperature => "pot_temperature",
            Signal::HeliumLevel => "helium_level",
            Signal::ChamberPressure => "chamber_pressure",
            Signal::PreparationPressure => "preparation_pressure",
            Signal::StageHeater => "stage_heater",
        }
    }

    /// The unit of its values; empty for flags and counts.
    pub fn unit(self) -> &'static str {
        match self {
            Signal::Bias | Signal::MagnetVoltage | Signal::LockinModulation => "V",
            Signal::Setpoint | Signal::Current | Signal::LockinX | Signal::LockinY => "A",
            Signal::Height | Signal::TipX | Signal::TipY => "m",
            Signal::FieldZ | Signal::FieldX => "T",
            Signal::RfFrequency => "Hz",
            Signal::RfLevel => "dBm",
            Signal::LockinTimeConstant => "s",
            Signal::StageTemperature | Signal::PotTemperature => "K",
            Signal::HeliumLevel => "L",
            Signal::StageHeater => "W",
            Signal::ChamberPressure | Signal::PreparationPressure => "Pa",
            Signal::Feedback
            | Signal::Approached
            | Signal::RfOutput
            | Signal::LockinReference
            | Signal::LockinOrder
            | Signal::LockinOverload => "",
        }
    }

    /// Whether it can be set.
    pub fn settable(self) -> bool {
        !matches!(
            self,
            Signal::Current
                | Signal::Height
                | Signal::Approached
                | Signal::MagnetVoltage
                | Signal::LockinX
                | Signal::LockinY
                | Signal::LockinOverload
                | Signal::StageTemperature
                | Signal::PotTemperature
                | Signal::HeliumLevel
                | Signal::ChamberPressure
                | Signal::PreparationPressure
        )
    }

    /// The signal of that name.
    pub fn from_name(name: &str) -> Option<Signal> {
        Signal::ALL.into_iter().find(|signal| signal.name() == name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_unique_and_lead_back() {
        for signal in Signal::ALL {
            assert_eq!(Signal::from_name(signal.name()), Some(signal));
        }
    }
}
