//! Types that are read from one field.

use super::{Field, Given, Kind, Range, Section, quantity};
use crate::document::{Node, Problem};

/// Nothing in a file is larger than this in its unit, or smaller than its inverse if it must not be zero; products
/// of several stay far from overflow.
const LARGEST: f64 = 1e18;

/// A struct that is read from a section.
pub trait Described: Sized {
    /// What may stand in it.
    const SECTION: &'static Section;
    /// A field that is one.
    const PART: Kind = Kind::Part(&[Self::SECTION]);
    /// A field that is a list of them.
    const PARTS: Kind = Kind::List(&Self::PART);

    /// Takes its fields; none if there was a fault, which is in the list then.
    fn take(given: &mut Given<'_>, problems: &mut Vec<Problem>) -> Option<Self>;

    /// What of it lies outside the declared ranges, one sentence each: for values that come from no file.
    fn out_of_range(&self) -> Vec<String> {
        Vec::new()
    }
}

/// What is read from one field.
pub trait Value: Sized {
    /// Whether a field of this type may always be left out.
    const OPTIONAL: bool = false;

    /// Reads it; none if there was a fault, which is in the list then.
    fn read(node: Node<'_>, field: &Field, problems: &mut Vec<Problem>) -> Option<Self>;

    /// What it is where the field is left out and means nothing.
    fn absent() -> Option<Self> {
        None
    }

    /// What of it lies outside the declared range, one sentence each.
    fn complaints(&self, _field: &Field, _into: &mut Vec<String>) {}
}

/// Reads a struct and reports every field that nobody took.
pub fn read_one<T: Described>(node: Node<'_>, problems: &mut Vec<Problem>) -> Option<T> {
    let mut given = T::SECTION.open(node, problems);
    let read = T::take(&mut given, problems);
    given.finish(problems);
    read
}

/// What a section means in which every field is left out.
///
/// # Panics
/// If one of them must be there.
pub fn left_out<T: Described>() -> T {
    Field::or("", "()", T::PART, "").meant("()")
}

impl<T: Described> Value for T {
    fn read(node: Node<'_>, _: &Field, problems: &mut Vec<Problem>) -> Option<Self> {
        read_one(node, problems)
    }

    fn complaints(&self, _: &Field, into: &mut Vec<String>) {
        into.extend(self.out_of_range());
    }
}

impl Range {
    /// What is wrong with a value, if it stands so in a file and is `si` in SI.
    fn complaint(self, value: f64, si: f64) -> Option<String> {
        let beyond = || format!("is out of all proportion: {si:e}");
        match self {
            Range::Positive if value.is_nan() || value <= 0.0 => {
                Some(format!("must be above zero, not {value}"))
            }
            Range::Positive => (!(1.0 / LARGEST..=LARGEST).contains(&si)).then(beyond),
            Range::NotNegative if value.is_nan() || value < 0.0 => {
                Some(format!("must not be negative, not {value}"))
            }
            Range::NotNegative => (si > LARGEST).then(beyond),
            // Worked back from SI, a bound may be the last bit beyond itself.
            Range::Within(low, high) => {
                let room = 1e-12 * (high - low);
                (!(low - room..=high + room).contains(&value))
                    .then(|| format!("must be from {low} to {high}, not {value}"))
            }
            Range::Any if !value.is_finite() => Some(format!("must be a finite number, not {value}")),
            Range::Halves(most) if !(0.0..=most).contains(&value) => {
                Some(format!("must be from 0 to {most}, not {value}"))
            }
            Range::Halves(_) => {
                ((2.0 * value).fract() != 0.0).then(|| format!("must be a multiple of 1/2, not {value}"))
            }
            Range::Any | Range::Held(..) => None,
        }
    }
}

/// The range of a bare number, and its scale.
fn bare(field: &Field) -> Option<(f64, Range)> {
    match field.kind {
        Kind::Number(_, scale, range) | Kind::Numbers(_, _, scale, range) => Some((scale, range)),
        _ => None,
    }
}

fn in_range(si: f64, field: &Field) -> Option<String> {
    let (scale, range) = bare(field)?;
    let complaint = range.complaint(si / scale, si)?;
    Some(format!("`{}` {complaint}", field.name))
}

fn bare_number(node: Node<'_>, field: &Field, problems: &mut Vec<Problem>) -> Option<f64> {
    let (scale, range) = bare(field)?;
    let value = node.number(problems)?;
    match range.complaint(value, value * scale) {
        None => Some(value * scale),
        Some(complaint) => {
            problems.push(node.problem(format!("`{}` {complaint}", field.name), None));
            None
        }
    }
}

impl Value for f64 {
    fn read(node: Node<'_>, field: &Field, problems: &mut Vec<Problem>) -> Option<Self> {
        match field.kind {
            Kind::Quantity(dimension, _) => {
                let si = quantity(node, dimension, problems)?;
                super::given::held(node, si, field, problems)
            }
            _ => bare_number(node, field, problems),
        }
    }

    fn complaints(&self, field: &Field, into: &mut Vec<String>) {
        into.extend(in_range(*self, field));
    }
}

impl<const N: usize> Value for [f64; N] {
    fn read(node: Node<'_>, field: &Field, problems: &mut Vec<Problem>) -> Option<Self> {
        let items = node.items(problems);
        if items.len() != N {
            let message = format!("`{}` needs {N} numbers, not {}", field.name, items.len());
            problems.push(node.problem(message, None));
            return None;
        }
        let read: Vec<Option<f64>> =
            items.into_iter().map(|item| bare_number(item, field, problems)).collect();
        let read: Option<Vec<f64>> = read.into_iter().collect();
        read?.try_into().ok()
    }

    fn complaints(&self, field: &Field, into: &mut Vec<String>) {
        into.extend(self.iter().find_map(|value| in_range(*value, field)));
    }
}

impl Value for bool {
    fn read(node: Node<'_>, _: &Field, problems: &mut Vec<Problem>) -> Option<Self> {
        node.boolean(problems)
    }
}

impl Value for String {
    fn read(node: Node<'_>, field: &Field, problems: &mut Vec<Problem>) -> Option<Self> {
        let text = node.string(problems)?;
        if text.trim().is_empty() && matches!(field.kind, Kind::Said) {
            problems.push(node.problem(format!("`{}` must not be empty", field.name), None));
            return None;
        }
        Some(text)
    }
}

impl Value for u64 {
    fn read(node: Node<'_>, field: &Field, problems: &mut Vec<Problem>) -> Option<Self> {
        let value = node.whole(problems)?;
        match whole_complaint(value, field) {
            None => Some(value),
            Some(complaint) => {
                problems.push(node.problem(complaint, None));
                None
            }
        }
    }

    fn complaints(&self, field: &Field, into: &mut Vec<String>) {
        into.extend(whole_complaint(*self, field));
    }
}

fn whole_complaint(value: u64, field: &Field) -> Option<String> {
    let Kind::Whole(least, most) = field.kind else { return None };
    let name = field.name;
    match (least..=most).contains(&value) {
        true => None,
        false if least == 0 => Some(format!("`{name}` must be at most {most}, not {value}")),
        false => Some(format!("`{name}` must be from {least} to {most}, not {value}")),
    }
}

macro_rules! smaller {
    ($($type:ty),*) => {$(
        impl Value for $type {
            fn read(node: Node<'_>, field: &Field, problems: &mut Vec<Problem>) -> Option<Self> {
                u64::read(node, field, problems).and_then(|value| Self::try_from(value).ok())
            }

            fn complaints(&self, field: &Field, into: &mut Vec<String>) {
                into.extend(whole_complaint(u64::from(*self), field));
            }
        }
    )*};
}

smaller!(u8, u32);

impl<T: Value> Value for Option<T> {
    const OPTIONAL: bool = true;

    fn read(node: Node<'_>, field: &Field, problems: &mut Vec<Problem>) -> Option<Self> {
        T::read(node, field, problems).map(Some)
    }

    fn absent() -> Option<Self> {
        Some(None)
    }

    fn complaints(&self, field: &Field, into: &mut Vec<String>) {
        if let Some(value) = self {
            value.complaints(field, into);
        }
    }
}

impl<T: Value> Value for Vec<T> {
    const OPTIONAL: bool = true;

    fn read(node: Node<'_>, field: &Field, problems: &mut Vec<Problem>) -> Option<Self> {
        let Kind::List(kind) = field.kind else { panic!("`{}` is no list", field.name) };
        let item = Field { kind: *kind, ..*field };
        let read: Vec<Option<T>> =
            node.items(problems).into_iter().map(|node| T::read(node, &item, problems)).collect();
        read.into_iter().collect()
    }

    fn absent() -> Option<Self> {
        Some(Vec::new())
    }

    fn complaints(&self, field: &Field, into: &mut Vec<String>) {
        for value in self {
            value.complaints(field, into);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_number_passes_that_is_none_or_lies_outside() {
        let kept = |range: Range, value: f64| range.complaint(value, value).is_none();
        for range in [Range::Any, Range::Positive, Range::Within(0.0, 1.0), Range::Halves(8.0)] {
            assert!(!kept(range, f64::NAN) && !kept(range, f64::INFINITY), "{range:?}");
        }
        assert!(!kept(Range::NotNegative, f64::NAN) && !kept(Range::NotNegative, f64::INFINITY));
        for (range, good, bad) in [
            (Range::Positive, 1e-9, 0.0),
            (Range::Positive, 1e9, 1e30),
            (Range::Positive, 1.0, 1e-30),
            (Range::NotNegative, 0.0, -1.0),
            (Range::NotNegative, 1e9, 1e30),
            (Range::Within(0.0, 1.0), 1.0, 1.001),
            (Range::Halves(8.0), 3.5, 0.3),
            (Range::Halves(8.0), 8.0, 8.5),
        ] {
            assert!(kept(range, good) && !kept(range, bad), "{range:?}");
        }
    }
}
