//! The tip's part of a world file.

use crate::document::Problem;
use crate::tip::{Apex, FieldLaw, Odds, Preparation, Switching};
use noctule_ground::fields;
use noctule_ground::section;
use noctule_ground::section::{Described, Given, Kind, Range, Section, number, plain, si};

section! {
    /// The tip at the start and what may happen to it.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct TipLaw = "Tip" {
        /// The apex at the start.
        pub apex: Apex = Apex::PART, "apex";
    } and {
        /// How its field falls with distance.
        pub field: FieldLaw;
        /// How it switches.
        pub switching: Switching;
        /// How it is prepared and lost.
        pub preparation: Preparation;
        /// What comes out of a change.
        pub odds: Odds;
    }
}

/// Degrees in a file, radians in the program.
pub(super) const fn degrees(range: Range) -> Kind {
    number("deg", std::f64::consts::PI / 180.0, range)
}

fields! {
    APEX = "Apex", "The last few atoms of the tip." {
        or "atoms" = "0", Kind::Whole(0, 20), "Magnetic atoms picked up so far.";
        needed "polarisation", plain(Range::Within(0.0, 0.95)), "Size of the spin polarisation of the current; 0 for no contrast.";
        needed "moment_mub", si("µB", Range::Within(0.0, 100.0)), "Moment of the apex.";
        needed "tilt_deg", degrees(Range::Within(0.0, 80.0)), "Angle of the easy axis to the normal of the surface.";
        needed "turn_deg", degrees(Range::Within(-360.0, 360.0)), "Direction of that tilt, from x towards y.";
        needed "exchange_mt", number("mT", 1e-3, Range::Within(-10_000.0, 10_000.0)), "Exchange field on a spin at the reference gap, along the moment if positive.";
    }
}

impl Described for Apex {
    const SECTION: &'static Section = APEX;

    fn take(given: &mut Given<'_>, problems: &mut Vec<Problem>) -> Option<Self> {
        let atoms = given.get("atoms", problems);
        let polarisation = given.get("polarisation", problems);
        let moment_mub = given.get("moment_mub", problems);
        let (tilt, turn) = (given.get::<f64>("tilt_deg", problems), given.get::<f64>("turn_deg", problems));
        let exchange_t = given.get("exchange_mt", problems);
        let (tilt, turn) = (tilt?, turn?);
        let axis = [tilt.sin() * turn.cos(), tilt.sin() * turn.sin(), tilt.cos()];
        Some(Self {
            atoms: atoms?,
            polarisation: polarisation?,
            moment_mub: moment_mub?,
            axis,
            exchange_t: exchange_t?,
            second: None,
        })
    }
}
