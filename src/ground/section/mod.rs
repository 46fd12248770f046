//! What may stand in a file, declared once: each field with its unit, range, default and one sentence.
//!
//! A [`Section`] lists the [`Field`]s of one struct of a file. From it come reading ([`Section::open`] and
//! [`Given`]), which finds all faults at once and suggests names for misspelt ones, and whatever is told about the
//! file: the schema and the pages of the guide. [`section!`](crate::section!) declares a section together with the
//! struct that is read from it; its documentation is then the sentence of the guide. [`fields!`](crate::fields!)
//! declares sections that a reader takes field by field.
//!
//! ```
//! use noctule_ground::document::Text;
//! use noctule_ground::section;
//! use noctule_ground::section::{Range, number, read_one};
//!
//! section! {
//!     /// A cup.
//!     #[derive(Debug, PartialEq)]
//!     pub struct Cup = "Cup" {
//!         /// What it holds.
//!         pub volume_m3: f64 = number("mL", 1e-6, Range::Positive), "volume_ml";
//!         /// Handles.
//!         pub handles: u32 = noctule_ground::section::Kind::Whole(0, 2), "handles" or "1";
//!     }
//! }
//!
//! let text = Text::new("Cup(volume_ml: 300.0)");
//! let mut problems = Vec::new();
//! let cup: Option<Cup> = read_one(text.parse().unwrap(), &mut problems);
//! assert_eq!(cup.unwrap().handles, 1);
//! let text = Text::new("Cup(volume_ml: -1.0, handels: 1)");
//! assert!(read_one::<Cup>(text.parse().unwrap(), &mut problems).is_none());
//! assert_eq!(problems[0].message, "`volume_ml` must be above zero, not -1");
//! assert_eq!(problems[1].help.as_deref(), Some("did you mean `handles`?"));
//! ```

mod given;
mod value;

pub use given::{Given, choice, quantity, word};
pub use value::{Described, Value, left_out, read_one};

use crate::quantity::Dimension;

/// What a number may be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Range {
    /// Any finite number.
    Any,
    /// Above zero.
    Positive,
    /// Zero or above.
    NotNegative,
    /// Between two bounds, both allowed.
    Within(f64, f64),
    /// A whole multiple of one half, from 0 to so much.
    Halves(f64),
    /// What lies outside two bounds counts as the nearer of them.
    Held(f64, f64),
}

/// What a field takes.
#[derive(Debug, Clone, Copy)]
pub enum Kind {
    /// A bare number in a unit, and by how much it is multiplied to become SI.
    Number(&'static str, f64, Range),
    /// A list of so many of them.
    Numbers(usize, &'static str, f64, Range),
    /// A whole number between two bounds, both allowed.
    Whole(u64, u64),
    /// `true` or `false`.
    Flag,
    /// A text in quotes.
    Text,
    /// A text in quotes that says something.
    Said,
    /// A text in quotes that is one of these.
    Named(fn() -> Vec<&'static str>),
    /// A bare word that is one of these.
    Word(fn() -> Vec<&'static str>),
    /// A text with a unit; the range is in SI.
    Quantity(Dimension, Range),
    /// A value of the channel it is about; what of it is said.
    OfChannel(&'static str),
    /// A struct: one of these, told apart by the name in front of it.
    Part(&'static [&'static Section]),
    /// A list.
    List(&'static Kind),
    /// A value and another, in a list.
    Pair(&'static Kind),
    /// Entries with free names.
    Map(&'static Kind),
    /// Something of a form of its own, in words.
    Free(&'static str),
}

/// A field that is left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LeftOut {
    /// Is missed.
    Missed,
    /// Says nothing.
    Nothing,
    /// Means this, as it would be written, without quotes.
    Means(&'static str),
}

/// One field of a section.
#[derive(Debug, Clone, Copy)]
pub struct Field {
    /// Its name.
    pub name: &'static str,
    /// What it takes.
    pub kind: Kind,
    /// What becomes of it where it is left out.
    pub left_out: LeftOut,
    /// What it says, one sentence.
    pub says: &'static str,
}

impl Field {
    /// A field that must be there.
    pub const fn needed(name: &'static str, kind: Kind, says: &'static str) -> Self {
        Self { name, kind, left_out: LeftOut::Missed, says }
    }

    /// A field that may be left out.
    pub const fn optional(name: &'static str, kind: Kind, says: &'static str) -> Self {
        Self { name, kind, left_out: LeftOut::Nothing, says }
    }

    /// A field that means `default` where it is left out.
    pub const fn or(name: &'static str, default: &'static str, kind: Kind, says: &'static str) -> Self {
        Self { name, kind, left_out: LeftOut::Means(default), says }
    }
}

/// The fields of one struct of a file.
#[derive(Debug, Clone, Copy)]
pub struct Section {
    /// The name that may stand in front of it.
    pub name: &'static str,
    /// What it is, one sentence.
    pub says: &'static str,
    /// Its fields.
    pub fields: &'static [Field],
    /// Sections whose fields stand in it as well.
    pub also: &'static [&'static Section],
}

impl Section {
    /// A section of these fields.
    pub const fn new(name: &'static str, says: &'static str, fields: &'static [Field]) -> Self {
        Self { name, says, fields, also: &[] }
    }

    /// All fields, with those of the sections that stand in it as well.
    pub fn all(&self) -> impl Iterator<Item = &'static Field> {
        let also: Vec<&'static Field> = self.also.iter().flat_map(|other| other.all()).collect();
        self.fields.iter().chain(also)
    }

    /// The field of this name.
    ///
    /// # Panics
    /// If there is none: a reader that takes a field nobody declared is wrong whatever the file says.
    pub fn field(&self, name: &str) -> &'static Field {
        let found = self.all().find(|field| field.name == name);
        found.unwrap_or_else(|| panic!("`{name}` is not declared for `{}`", self.name))
    }
}

/// A bare number in `unit`, `scale` of it in SI.
pub const fn number(unit: &'static str, scale: f64, range: Range) -> Kind {
    Kind::Number(unit, scale, range)
}

/// A list of three bare numbers.
pub const fn vector(unit: &'static str, scale: f64, range: Range) -> Kind {
    Kind::Numbers(3, unit, scale, range)
}

/// A time with its unit, zero or above and never longer than ten years.
pub const TIME: Kind = Kind::Quantity(Dimension::TIME, Range::NotNegative);

/// A bare number in SI, in `unit`.
pub const fn si(unit: &'static str, range: Range) -> Kind {
    Kind::Number(unit, 1.0, range)
}

/// A bare number without a unit.
pub const fn plain(range: Range) -> Kind {
    Kind::Number("", 1.0, range)
}

/// From 0 to 1.
pub const FRACTION: Range = Range::Within(0.0, 1.0);

/// Declares a struct and the section of a file that it is read from.
///
/// Each field says what it takes, its name in the file, and after `or` what it means where it is left out; a list
/// and an `Option` may be left out anyway. After `and` stand fields whose own fields stand in the same section. After
/// `checked by` stands what finds faults that several numbers have together.
#[macro_export]
macro_rules! section {
    (
        $(#[doc = $what:literal])+
        #[derive($($derive:ident),* $(,)?)]
        $vis:vis struct $type:ident = $name:literal $(checked by $check:path)? {
            $(
                $(#[doc = $says:literal])+
                $field_vis:vis $field:ident: $field_type:ty = $kind:expr, $field_name:literal $(or $default:literal)?;
            )*
        }
        $(and {
            $($(#[doc = $flat_says:literal])+ $flat_vis:vis $flat:ident: $flat_type:ty;)*
        })?
    ) => {
        $(#[doc = $what])+
        #[derive($($derive),*)]
        $vis struct $type {
            $($(#[doc = $says])+ #[doc = concat!(" In a file `", $field_name, "`.")] $field_vis $field: $field_type,)*
            $($($(#[doc = $flat_says])+ $flat_vis $flat: $flat_type,)*)?
        }

        impl $crate::section::Described for $type {
            const SECTION: &'static $crate::section::Section = &$crate::section::Section {
                name: $name,
                says: concat!($($what),+),
                fields: &[$($crate::section::Field {
                    name: $field_name,
                    kind: $kind,
                    left_out: $crate::section!(@left_out $field_type $(, $default)?),
                    says: concat!($($says),+),
                }),*],
                also: &[$($(<$flat_type as $crate::section::Described>::SECTION),*)?],
            };

            fn take(
                given: &mut $crate::section::Given<'_>,
                problems: &mut Vec<$crate::document::Problem>,
            ) -> Option<Self> {
                $(let $field = given.get::<$field_type>($field_name, problems);)*
                $($(let $flat = <$flat_type as $crate::section::Described>::take(given, problems);)*)?
                let read = Self { $($field: $field?,)* $($($flat: $flat?,)*)? };
                $(given.complain($check(&read), problems)?;)?
                Some(read)
            }

            fn out_of_range(&self) -> Vec<String> {
                let mut found = Vec::new();
                $($crate::section::Value::complaints(
                    &self.$field, <Self as $crate::section::Described>::SECTION.field($field_name), &mut found);)*
                $($(found.extend($crate::section::Described::out_of_range(&self.$flat));)*)?
                found
            }
        }
    };
    (@left_out $type:ty, $default:literal) => { $crate::section::LeftOut::Means($default) };
    (@left_out $type:ty) => {
        if <$type as $crate::section::Value>::OPTIONAL {
            $crate::section::LeftOut::Nothing
        } else {
            $crate::section::LeftOut::Missed
        }
    };
}

/// Declares sections that a reader takes field by field, a line each: whether it is `needed`, `optional`, or means
/// something where it is left out (`or`), its name, what it takes, and one sentence.
///
/// Behind its name a section may say who sees it, `BENCH (pub)`. After `with` stand fields that other sections have too, after `also` sections whose fields stand here as well.
#[macro_export]
macro_rules! fields {
    ($(
        $(#[$meta:meta])*
        $section:ident $(($($vis:tt)+))? = $name:literal, $what:literal
            $(with [$($shared:expr),* $(,)?])? $(also $also:tt)? {
            $($how:ident $field:literal $(= $default:literal)?, $kind:expr, $says:literal;)*
        }
    )+) => {$(
        $(#[$meta])*
        $($($vis)+)? const $section: &$crate::section::Section = &$crate::section::Section {
            name: $name,
            says: $what,
            fields: &[
                $($crate::section::Field::$how($field, $($default,)? $kind, $says),)*
                $($($shared),*)?
            ],
            also: $crate::fields!(@also $($also)?),
        };
    )+};
    (@also $also:tt) => { &$also };
    (@also) => { &[] };
}
