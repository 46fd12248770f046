//! What may stand in a case.

use noctule_ground::fields;
use noctule_ground::section::{Field, Kind, Range, si, vector};

const TENSOR: Kind = Kind::Free("a number, three principal values, or three rows of three");
const TURN_FIELD: Field =
    Field::optional("turn", Kind::Part(&[TURN]), "Axes against those of the laboratory.");
const NAME: Field = Field::optional("name", Kind::Text, "A free name; couplings may use it.");
const SPIN: Field = Field::needed("S", Kind::Free("a multiple of 1/2"), "Spin quantum number.");
const QUADRUPOLE: Field = Field::optional(
    "Q_GHz",
    Kind::Free("three principal values, or three rows of three, in GHz"),
    "Quadrupole tensor.",
);
const TIP: Field = Field::optional("Btip_T", vector("T", 1.0, Range::Any), "Field on this spin alone.");
const TYPE: Field = Field::optional(
    "type",
    Kind::Named(|| vec!["e", "n"]),
    "In JSON: `e` for an electron, `n` for a nucleus; in RON the name in front says it.",
);

fields! {
    /// What a case file may say.
    CASE (pub) = "", "A spin system and the fields it is asked about." {
        needed "spins", Kind::List(&Kind::Part(&[ELECTRON, NUCLEUS])), "The spins.";
        needed "B_T", Kind::Free("three numbers in T, or a list of such"), "Applied field, or several.";
        optional "couplings", Kind::List(&Kind::Part(&[COUPLING])), "Couplings between two spins each.";
    }

    ELECTRON (pub(super)) = "Electron", "An electron spin." with [TYPE, NAME, SPIN, QUADRUPOLE, TIP, TURN_FIELD] {
        needed "g", TENSOR, "g tensor.";
        or "D_GHz" = "0", si("GHz", Range::Any), "Axial anisotropy.";
        or "E_GHz" = "0", si("GHz", Range::Any), "Rhombic anisotropy.";
        optional "F4_GHz", si("GHz", Range::Any), "Cubic anisotropy of the fourth order.";
        optional "F_GHz", si("GHz", Range::Any), "The same by another name.";
    }

    NUCLEUS (pub(super)) = "Nucleus", "A nuclear spin." with [TYPE, NAME, SPIN, QUADRUPOLE, TIP, TURN_FIELD] {
        needed "gN", si("", Range::Any), "Nuclear g factor.";
    }

    COUPLING (pub(super)) = "Coupling", "A coupling between two spins: `T_GHz`, or `r_nm` for one that is dipolar." with [TURN_FIELD] {
        needed "pair", Kind::Free("two spins, each by its index from 0 or by its name"), "Which spins.";
        optional "kind", Kind::Named(|| vec!["tensor_diag", "tensor", "isotropic", "dipole"]), "What kind it is; it may be seen from the other fields.";
        optional "T_GHz", TENSOR, "Coupling tensor, in GHz.";
        optional "r_nm", vector("nm", 1.0, Range::Any), "Dipolar: vector from the first to the second spin.";
    }

    TURN (pub(super)) = "Turn", "How axes are turned: `axis` and `angle_deg`, or `zyz_deg`." {
        optional "axis", vector("", 1.0, Range::Any), "The axis of the turn.";
        optional "angle_deg", si("deg", Range::Any), "The angle about it.";
        optional "zyz_deg", vector("deg", 1.0, Range::Any), "Euler angles about z, y and z.";
    }
}
