//! From script values to numbers: whole and broken numbers are taken everywhere, units are checked.

use super::error::{Said, Thrown, argument};
use crate::quantity::{Dimension, Quantity};
use rhai::{Array, Dynamic, Map, NativeCallContext};

/// A plain number.
pub fn number(ctx: &NativeCallContext<'_>, value: &Dynamic, what: &str) -> Result<f64, Thrown> {
    if let Some(plain) = plain_number(value) {
        return Ok(plain);
    }
    if let Some(quantity) = value.clone().try_cast::<Quantity>() {
        let message = format!("{what} is a plain number, but `{quantity}` is {}", quantity.dimension);
        return Err(argument(ctx, &message));
    }
    Err(argument(ctx, format!("{what} is a number, not {}", kind_of(value))))
}

/// A number, if it is one without a unit.
pub fn plain_number(value: &Dynamic) -> Option<f64> {
    if let Ok(whole) = value.as_int() {
        return Some(whole as f64);
    }
    value.as_float().ok().or_else(|| value.as_bool().ok().map(|flag| f64::from(u8::from(flag))))
}

/// A whole number of at least `least`.
pub fn whole(ctx: &NativeCallContext<'_>, value: &Dynamic, what: &str, least: u64) -> Result<u64, Thrown> {
    let number = number(ctx, value, what)?;
    if number.fract() != 0.0 || number < least as f64 || number > 1e12 {
        return Err(argument(ctx, format!("{what} is a whole number from {least}, not {number}")));
    }
    Ok(number as u64)
}

/// The SI value of a quantity of the wanted dimension. Where plain numbers are wanted, they need no unit.
pub fn quantity(
    ctx: &NativeCallContext<'_>,
    value: &Dynamic,
    wanted: Dimension,
    what: &str,
) -> Result<f64, Thrown> {
    let found = match (value.clone().try_cast::<Quantity>(), plain_number(value)) {
        (Some(quantity), _) => quantity,
        (None, Some(plain)) => Quantity::number(plain),
        (None, None) => return Err(argument(ctx, format!("{what} can't be {}", kind_of(value)))),
    };
    if found.dimension == wanted {
        if found.si.is_finite() {
            return Ok(found.si);
        }
        return Err(argument(ctx, format!("{what} is not a finite number")));
    }
    let example = Quantity::new(1.0, wanted);
    let said = if found.dimension.is_none() {
        let like = super::units::written(found.si, wanted, &wanted.symbol());
        let wrong = format!("{what} is {wanted}, but {} has no unit", found.si);
        Said::with(wrong, format!("write it like {like}"))
    } else {
        format!("{what} is {wanted} (like {example}), but {found} is {}", found.dimension).into()
    };
    Err(argument(ctx, said))
}

/// One text, or an array of texts.
pub fn texts(ctx: &NativeCallContext<'_>, value: &Dynamic, what: &str) -> Result<Vec<String>, Thrown> {
    if let Ok(text) = value.clone().into_string() {
        return Ok(vec![text]);
    }
    let Some(array) = value.read_lock::<Array>() else {
        return Err(argument(ctx, format!("{what} is a text or a list of texts, not {}", kind_of(value))));
    };
    array
        .iter()
        .map(|item| {
            item.clone().into_string().map_err(|_| argument(ctx, format!("{what} holds {}", kind_of(item))))
        })
        .collect()
}

/// What a value is, for messages.
pub fn kind_of(value: &Dynamic) -> String {
    if value.is_unit() {
        return "nothing".to_owned();
    }
    if value.is_string() {
        return format!("the text \"{value}\"");
    }
    if let Some(quantity) = value.clone().try_cast::<Quantity>() {
        return format!("{quantity}, {}", quantity.dimension);
    }
    if value.is_int() || value.is_float() {
        return format!("the number {value}");
    }
    kind_named(value.type_name())
}

/// What the engine calls a type, in words.
pub fn kind_named(name: &str) -> String {
    let name = name.trim_start_matches('&').trim_start_matches("mut ");
    match name.rsplit("::").next().unwrap_or(name) {
        "()" => "nothing",
        "i64" => "a whole number",
        "f64" => "a number",
        "bool" => "true or false",
        "char" => "a sign",
        "map" | "Map" => "a map",
        "array" | "Array" | "Vec<Dynamic>" => "a list",
        "Fn" | "FnPtr" => "a function",
        "quantity" | "Quantity" => "a value with a unit",
        "numbers" | "Numbers" => "a row of numbers",
        text if text.contains("str") || text.contains("String") => "a text",
        range if range.to_lowercase().contains("range") => "a range",
        other => {
            let word = other.trim_end_matches("Handle").to_lowercase();
            let article = if word.starts_with('i') { "an" } else { "a" };
            return format!("{article} {word}");
        }
    }
    .to_owned()
}

/// The fields of a map that a verb takes, one by one; what is left was not known.
pub struct MapFields<'c> {
    ctx: &'c NativeCallContext<'c>,
    verb: &'static str,
    map: Map,
    known: Vec<&'static str>,
}

impl<'c> MapFields<'c> {
    /// For a verb.
    pub fn new(ctx: &'c NativeCallContext<'c>, verb: &'static str, map: Map) -> Self {
        Self { ctx, verb, map, known: Vec::new() }
    }

    /// A field that may be left out.
    pub fn take(&mut self, name: &'static str) -> Option<Dynamic> {
        self.known.push(name);
        self.map.remove(name)
    }

    /// A field that must be there.
    pub fn need(&mut self, name: &'static str) -> Result<Dynamic, Thrown> {
        self.take(name).ok_or_else(|| argument(self.ctx, format!("`{}` needs the field `{name}`", self.verb)))
    }

    /// A time, s.
    pub fn time(&mut self, name: &'static str) -> Result<Option<f64>, Thrown> {
        let Some(value) = self.take(name) else { return Ok(None) };
        let seconds = quantity(self.ctx, &value, Dimension::TIME, &format!("`{name}`"))?;
        if seconds < 0.0 {
            return Err(argument(self.ctx, format!("`{name}` can't be negative")));
        }
        Ok(Some(seconds))
    }

    /// A whole number.
    pub fn whole(&mut self, name: &'static str, least: u64) -> Result<Option<u64>, Thrown> {
        self.take(name).map(|value| whole(self.ctx, &value, &format!("`{name}`"), least)).transpose()
    }

    /// A quantity.
    pub fn quantity(&mut self, name: &'static str, wanted: Dimension) -> Result<Option<f64>, Thrown> {
        self.take(name).map(|value| quantity(self.ctx, &value, wanted, &format!("`{name}`"))).transpose()
    }

    /// True or false.
    pub fn flag(&mut self, name: &'static str) -> Result<bool, Thrown> {
        let Some(value) = self.take(name) else { return Ok(false) };
        value.as_bool().map_err(|_| argument(self.ctx, format!("`{name}` is true or false")))
    }

    /// A text.
    pub fn text(&mut self, name: &'static str) -> Result<Option<String>, Thrown> {
        let Some(value) = self.take(name) else { return Ok(None) };
        value.into_string().map(Some).map_err(|_| argument(self.ctx, format!("`{name}` is a text")))
    }

    /// Complains about what nobody took.
    pub fn finish(self) -> Result<(), Thrown> {
        let Some(name) = self.map.keys().next() else { return Ok(()) };
        let near = crate::document::nearest(name, self.known.iter().copied());
        Err(argument(self.ctx, Said::meant(format!("`{}` has no field `{name}`", self.verb), near)))
    }
}
