//! What a channel is for, so that a sequence written on one bench runs on another.

use crate::quantity::Dimension;
use std::fmt;

macro_rules! roles {
    ($($name:ident, $dimension:expr, $set:literal, $meaning:literal;)*) => {
        /// What a channel is for.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum Role {
            $(#[doc = $meaning] $name,)*
        }

        impl Role {
            /// All roles, in the order of the guide.
            pub const ALL: &'static [Role] = &[$(Role::$name,)*];

            /// The name in bench files and sequences.
            pub fn name(self) -> &'static str {
                match self { $(Role::$name => stringify!($name),)* }
            }

            /// The dimension a channel of this role must have.
            pub fn dimension(self) -> Dimension {
                match self { $(Role::$name => $dimension,)* }
            }

            /// Whether sequences expect to be able to set it.
            pub fn settable(self) -> bool {
                match self { $(Role::$name => $set,)* }
            }

            /// One sentence for the guide.
            pub fn meaning(self) -> &'static str {
                match self { $(Role::$name => $meaning,)* }
            }
        }
    };
}

roles! {
    Bias, Dimension::VOLTAGE, true, "Voltage between tip and sample.";
    Setpoint, Dimension::CURRENT, true, "Current that the height loop holds.";
    Feedback, Dimension::NONE, true, "Height loop closed (1) or open (0).";
    Current, Dimension::CURRENT, false, "Tunnel current.";
    Height, Dimension::LENGTH, false, "Tip height from the loop.";
    TipX, Dimension::LENGTH, true, "Tip position along x.";
    TipY, Dimension::LENGTH, true, "Tip position along y.";
    Approached, Dimension::NONE, false, "Tip in tunnelling range (1) or withdrawn (0).";
    FieldZ, Dimension::FIELD, true, "Magnetic field along z.";
    FieldX, Dimension::FIELD, true, "Magnetic field along x.";
    MagnetVoltage, Dimension::VOLTAGE, false, "Voltage at the leads of the magnet.";
    RfFrequency, Dimension::FREQUENCY, true, "Frequency of the RF source.";
    RfLevel, Dimension::LEVEL, true, "Level of the RF source.";
    RfOutput, Dimension::NONE, true, "RF source on (1) or off (0).";
    LockinX, Dimension::CURRENT, false, "In-phase output of the lock-in.";
    LockinY, Dimension::CURRENT, false, "Quadrature output of the lock-in.";
    LockinReference, Dimension::NONE, true, "Lock-in reference: 0 chopped RF, 1 bias modulation, 2 its second harmonic.";
    LockinModulation, Dimension::VOLTAGE, true, "Bias modulation, zero to peak.";
    LockinTimeConstant, Dimension::TIME, true, "Time constant of the lock-in.";
    LockinOrder, Dimension::NONE, true, "Filter order of the lock-in, 1 to 4.";
    LockinOverload, Dimension::NONE, false, "Lock-in input overloaded (1) or not (0).";
    StageTemperature, Dimension::TEMPERATURE, false, "Temperature of the sample stage.";
    PotTemperature, Dimension::TEMPERATURE, false, "Temperature of the condensation pot.";
    HeliumLevel, Dimension::VOLUME, false, "Liquid helium in the bath.";
    ChamberPressure, Dimension::PRESSURE, false, "Pressure in the chamber of the microscope.";
    PreparationPressure, Dimension::PRESSURE, false, "Pressure in the preparation chamber.";
    StageHeater, Dimension::POWER, true, "Power of the heater on the sample stage.";
}

impl Role {
    /// The role of that name.
    pub fn from_name(name: &str) -> Option<Role> {
        Role::ALL.iter().copied().find(|role| role.name() == name)
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}
