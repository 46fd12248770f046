//! What may stand in a case.

use noctule_ground::section::{Field, Kind, Range, Section, si, vector};

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

/// What a case file may say.
pub const CASE: &Section = &Section::new(
    "",
    "A spin system and the fields it is asked about.",
    &[
        Field::needed("spins", Kind::List(&Kind::Part(&[ELECTRON, NUCLEUS])), "The spins."),
        Field::needed(
            "B_T",
            Kind::Free("three numbers in T, or a list of such"),
            "Applied field, or several.",
        ),
        Field::optional(
            "couplings",
            Kind::List(&Kind::Part(&[COUPLING])),
            "Couplings between two spins each.",
        ),
    ],
);

pub(super) const ELECTRON: &Section = &Section::new(
    "Electron",
    "An electron spin.",
    &[
        TYPE,
        NAME,
        SPIN,
        Field::needed("g", TENSOR, "g tensor."),
        Field::or("D_GHz", "0", si("GHz", Range::Any), "Axial anisotropy."),
        Field::or("E_GHz", "0", si("GHz", Range::Any), "Rhombic anisotropy."),
        Field::optional("F4_GHz", si("GHz", Range::Any), "Cubic anisotropy of the fourth order."),
        Field::optional("F_GHz", si("GHz", Range::Any), "The same by another name."),
        QUADRUPOLE,
        TIP,
        TURN_FIELD,
    ],
);

pub(super) const NUCLEUS: &Section = &Section::new(
    "Nucleus",
    "A nuclear spin.",
    &[
        TYPE,
        NAME,
        SPIN,
        Field::needed("gN", si("", Range::Any), "Nuclear g factor."),
        QUADRUPOLE,
        TIP,
        TURN_FIELD,
    ],
);

pub(super) const COUPLING: &Section = &Section::new(
    "Coupling",
    "A coupling between two spins: `T_GHz`, or `r_nm` for one that is dipolar.",
    &[
        Field::needed(
            "pair",
            Kind::Free("two spins, each by its index from 0 or by its name"),
            "Which spins.",
        ),
        Field::optional(
            "kind",
            Kind::Named(|| vec!["tensor_diag", "tensor", "isotropic", "dipole"]),
            "What kind it is; it may be seen from the other fields.",
        ),
        Field::optional("T_GHz", TENSOR, "Coupling tensor, in GHz."),
        Field::optional(
            "r_nm",
            vector("nm", 1.0, Range::Any),
            "Dipolar: vector from the first to the second spin.",
        ),
        TURN_FIELD,
    ],
);

pub(super) const TURN: &Section = &Section::new(
    "Turn",
    "How axes are turned: `axis` and `angle_deg`, or `zyz_deg`.",
    &[
        Field::optional("axis", vector("", 1.0, Range::Any), "The axis of the turn."),
        Field::optional("angle_deg", si("deg", Range::Any), "The angle about it."),
        Field::optional("zyz_deg", vector("deg", 1.0, Range::Any), "Euler angles about z, y and z."),
    ],
);
