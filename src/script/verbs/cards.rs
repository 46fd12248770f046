//! What a sequence is about, and the figure that shows it.

use crate::analysis::fit::{self, Fit, Options};
use crate::history::{Card, CardColumn, Figure};
use crate::quantity::{Quantity, Unit, rounded};
use crate::record::JudgementKind;
use crate::script::convert::{MapFields, plain_number};
use crate::script::error::{Said, Thrown, argument};
use crate::script::handles::Sweep;
use crate::script::host::Host;
use crate::script::registry::{Chapter, Deed, Gives, Kind, Verb, in_chapter, of, param};
use crate::supervisor::Statement;
use rhai::{Array, Dynamic, Engine, Map, NativeCallContext};
use serde_json::Value;
use std::rc::Rc;

/// The most rows of a card: it is a figure of results, not of raw data.
const MOST_ROWS: usize = 4_000;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[Verb {
    name: "about",
    params: &[
        param("figure", Kind::OneOf(&Figure::WORDS), "the figure that shows it"),
        param("title", Kind::Text, "what the sequence is about, in a few words"),
        param(
            "shown",
            Kind::Fields("| columns rows sweep planned says"),
            "what it shows: `rows` of results with their `columns`, `[\"name\", \"unit\"]` each, or a `sweep`; how many were `planned`; what it `says`, in a few words",
        ),
    ],
    optional: 1,
    gives: Gives::Nothing,
    summary: "Says what the sequence is about, for the top of the brief: `map` (rows of x, y, value, or a sweep over two axes), `field` (spectra against field, needs no rows), `power` (rows of x, y, error on axes of decades, with the power that fits them), `line` (the same on straight axes), `levels` (the histogram of the last trace with its two levels), `trace` (a sweep, or the last trace), `table` (rows of words and numbers). With `planned`, what is missing at the end is counted and said. Said again with the same title, it takes the place of what was said before. A sequence that says nothing gets the figure that its data suggest.",
    example: "let rows = [];\nfor i in 1..6 { rows.push([i * 1.mT, 28.MHz * i, 0.3.MHz]); }\nabout(\"line\", \"frequency against field\", #{ columns: [[\"field\", \"mT\"], [\"frequency\", \"MHz\"]], rows: rows, planned: 5 });",
    nature: of(Deed::Tells),
    ..in_chapter(Chapter::Flow)
}];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("about", move |ctx: NativeCallContext, figure: &str, title: Dynamic| {
        about(&h, &ctx, figure, &title.to_string(), Map::new())
    });
    let h = Rc::clone(host);
    engine.register_fn("about", move |ctx: NativeCallContext, figure: &str, title: Dynamic, shown: Map| {
        about(&h, &ctx, figure, &title.to_string(), shown)
    });
}

fn about(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    figure: &str,
    title: &str,
    shown: Map,
) -> Result<(), Thrown> {
    let known = || {
        let words = format!("there are {}", Figure::WORDS.join(", "));
        argument(ctx, Said::with(format!("there is no figure `{figure}`"), words))
    };
    let figure = Figure::of(figure).ok_or_else(known)?;
    let mut fields = MapFields::new(ctx, "about", shown);
    let columns = fields.take("columns").map_or(Ok(Vec::new()), |value| columns(ctx, value))?;
    let rows = fields.take("rows").map(|value| rows(ctx, value, &columns)).transpose()?;
    let sweep = fields.take("sweep").map(|value| {
        value.try_cast::<Sweep>().ok_or_else(|| argument(ctx, "`sweep` is not a sweep or a grid"))
    });
    let source = sweep.transpose()?.map(|sweep| sweep.data.sweep);
    let planned = fields.whole("planned", 0)?;
    let says = fields.take("says").map(|value| value.to_string());
    fields.finish()?;
    let rows = rows.unwrap_or_default();
    let mut card = Card {
        title: title.to_owned(),
        figure,
        source,
        columns,
        rows,
        planned,
        says: String::new(),
        at_s: 0.0,
        first_s: 0.0,
    };
    needs(ctx, &card)?;
    card.says = says.or_else(|| fitted(&card)).unwrap_or_default();
    let title = card.title.clone();
    let body = serde_json::to_value(&card).unwrap_or_default();
    host.record(ctx, Statement::Judgement { what: JudgementKind::Card, sweep: source, title, body })
}

/// A figure without what it shows would be an empty frame in the brief. While nothing is measured yet, rows may be empty.
fn needs(ctx: &NativeCallContext<'_>, card: &Card) -> Result<(), Thrown> {
    let columns = match card.figure {
        Figure::Map if card.source.is_none() => 3,
        Figure::Power | Figure::Line => 2,
        Figure::Table => 1,
        Figure::Map | Figure::Field | Figure::Levels | Figure::Trace => return Ok(()),
    };
    if card.columns.len() < columns {
        return Err(argument(ctx, format!("this figure needs `columns` for at least {columns} of each row")));
    }
    Ok(())
}

fn columns(ctx: &NativeCallContext<'_>, value: Dynamic) -> Result<Vec<CardColumn>, Thrown> {
    let wrong = || argument(ctx, "`columns` is a list of names, or of pairs of a name and a unit");
    let list = value.try_cast::<Array>().ok_or_else(wrong)?;
    let column = |item: Dynamic| {
        if let Ok(name) = item.clone().into_string() {
            return Ok(CardColumn { name, unit: String::new() });
        }
        let pair: Vec<String> = item
            .try_cast::<Array>()
            .ok_or_else(wrong)?
            .into_iter()
            .map(|part| part.into_string().map_err(|_| wrong()))
            .collect::<Result<_, _>>()?;
        let [name, unit]: [String; 2] = pair.try_into().map_err(|_| wrong())?;
        Unit::parse(&unit).ok_or_else(|| argument(ctx, format!("`{unit}` is no unit")))?;
        Ok(CardColumn { name, unit })
    };
    list.into_iter().map(column).collect()
}

fn rows(
    ctx: &NativeCallContext<'_>,
    value: Dynamic,
    columns: &[CardColumn],
) -> Result<Vec<Vec<Value>>, Thrown> {
    let list = value.try_cast::<Array>().ok_or_else(|| argument(ctx, "`rows` is a list of rows"))?;
    if list.len() > MOST_ROWS {
        let wrong = format!("`rows` has {} rows", list.len());
        return Err(argument(ctx, Said::with(wrong, format!("a card holds {MOST_ROWS}"))));
    }
    let mut rows = Vec::with_capacity(list.len());
    for (i, row) in list.into_iter().enumerate() {
        let row = row.try_cast::<Array>().ok_or_else(|| argument(ctx, format!("row {i} is not a list")))?;
        // A third number of a row of two columns is the error of the second.
        let unit = |k: usize| columns.get(k).or(columns.last()).map_or("", |column| column.unit.as_str());
        let cells = row.iter().enumerate().map(|(k, value)| cell(ctx, value, unit(k), i));
        rows.push(cells.collect::<Result<Vec<Value>, Thrown>>()?);
    }
    Ok(rows)
}

/// A number in the unit of its column, or a word.
fn cell(ctx: &NativeCallContext<'_>, value: &Dynamic, unit: &str, row: usize) -> Result<Value, Thrown> {
    if let Some(quantity) = value.clone().try_cast::<Quantity>() {
        let unit = Unit::parse(unit).filter(|unit| unit.dimension == quantity.dimension);
        let unit = unit.ok_or_else(|| {
            argument(ctx, format!("row {row}: {quantity} does not fit the unit of its column"))
        })?;
        return Ok(unit.from_si(quantity.si).into());
    }
    Ok(plain_number(value).map_or_else(|| value.to_string().into(), Value::from))
}

/// The power, or the slope, that fits the rows, with its standard error; nothing where there are too few rows.
fn fitted(card: &Card) -> Option<String> {
    let power = match card.figure {
        Figure::Power => true,
        Figure::Line => false,
        _ => return None,
    };
    let law = straight(card, power)?;
    let (value, error) = (law.value("slope"), law.error("slope"));
    if power {
        return Some(format!("exponent {}", rounded(value, error)));
    }
    let unit = |i: usize| card.columns.get(i).map_or("", |column| column.unit.as_str());
    let per = match (unit(1), unit(0)) {
        ("", "") => String::new(),
        (y, "") => format!(" {y}"),
        ("", x) => format!(" per {x}"),
        (y, x) => format!(" {y}/{x}"),
    };
    Some(format!("slope {}{per}", rounded(value, error)))
}

/// The straight line through the rows of a card, in logarithms for a power.
fn straight(card: &Card, power: bool) -> Option<Fit> {
    let with_errors = card.numbers::<3>();
    let plain = card.numbers::<2>();
    let mut points: Vec<(f64, f64, Option<f64>)> = match with_errors.len() == plain.len() {
        true => with_errors.iter().map(|[x, y, e]| (*x, *y, Some(*e))).collect(),
        false => plain.iter().map(|[x, y]| (*x, *y, None)).collect(),
    };
    if power {
        points.retain(|(x, y, _)| *x > 0.0 && *y > 0.0);
        for point in &mut points {
            *point = (point.0.ln(), point.1.ln(), point.2.map(|error| error / point.1));
        }
    }
    let x: Vec<f64> = points.iter().map(|p| p.0).collect();
    let y: Vec<f64> = points.iter().map(|p| p.1).collect();
    let errors: Option<Vec<f64>> = points.iter().map(|p| p.2.filter(|e| *e > 0.0)).collect();
    let options = errors.map_or_else(Options::new, |errors| Options::new().sigmas(&errors));
    fit::line(&x, &y, &options).ok()
}
