//! Tables: what was measured as values to work with, and into the record again.

use crate::quantity::{Dimension, Quantity};
use crate::script::convert::{kind_of, plain_number, texts, whole};
use crate::script::error::{Said, Thrown, argument, unfit, wrong};
use crate::script::handles::{Image, Sweep, Trace};
use crate::script::host::Host;
use crate::script::numbers::{Function, Numbers, Operation};
use crate::script::registry::{Chapter, Deed, Gives, Kind, Verb, in_chapter, of, param};
use crate::script::table::{Column, Table, TableError, bounds};
use crate::script::units::as_value;
use crate::supervisor::Statement;
use rhai::{Array, Dynamic, Engine, NativeCallContext};
use std::rc::Rc;

/// The most numbers of one table in the record: SQLite holds so many in one place.
const MOST_RECORDED: usize = 100_000_000;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "table",
        params: &[
            param("what", Kind::Data, "a sweep, a trace, an image; or names of columns, the axis first"),
            param(
                "rows",
                Kind::List,
                "with names: rows, each a list with a value for each column; or whole columns",
            ),
        ],
        optional: 1,
        gives: Gives::Handle("table"),
        summary: "A table of what was measured, or of values of your own: named columns with units. Tables with the same places are added, subtracted, multiplied; `t[\"name\"]` is a column, `t.with_column(name, numbers)` adds one, `t.within(name, from, to)` and `t.part(from, to)` cut, `t.at(other)` interpolates. A column `x_error` holds the standard errors of `x`, and errors follow.",
        example: "let s = sweep(#{ channel: \"Bias\", from: 20.mV, to: 60.mV, points: 9, read: \"Current\" });\nlet t = table(s);\nlet t = t.with_column(\"resistance\", t[\"Bias\"] / t[\"Current\"]);\nnote(`${t.rows} rows, ${t[\"resistance\"].mean}`);",
        ..in_chapter(Chapter::Tables)
    },
    Verb {
        name: "spectrum",
        params: &[
            param("sweep", Kind::Handle("sweep"), "a sweep along one axis"),
            param("channel", Kind::Channel, "which reading"),
        ],
        gives: Gives::Handle("table"),
        summary: "One reading of a sweep along its axis, rising: passes and ways there and back are averaged, gaps and doubtful points left out. Where each place was measured twice or more, it has errors.",
        example: "let s = sweep(#{ channel: \"Bias\", from: 20.mV, to: 60.mV, points: 9, passes: 3, read: \"Current\" });\nlet line = spectrum(s, \"Current\");\nnote(`error at the first place ${line[\"Current\"].errors[0]}`);",
        ..in_chapter(Chapter::Tables)
    },
    Verb {
        name: "average",
        params: &[
            param("tables", Kind::List, "tables with the same places along their axes"),
            param(
                "weights",
                Kind::List,
                "a number for each table; else it goes by the errors, or all count the same",
            ),
        ],
        optional: 1,
        gives: Gives::Handle("table"),
        summary: "The mean of tables, with the error that follows. Gaps have no weight.",
        example: "let s = sweep(#{ channel: \"Bias\", from: 20.mV, to: 60.mV, points: 9, read: \"Current\" });\nlet u = sweep(#{ channel: \"Bias\", from: 20.mV, to: 60.mV, points: 9, read: \"Current\" });\nlet mean = average([table(s), table(u)], [1, 2]);",
        ..in_chapter(Chapter::Tables)
    },
    Verb {
        name: "record_table",
        params: &[
            param("name", Kind::Text, "a word for it"),
            param("table", Kind::Handle("table"), "the table"),
        ],
        gives: Gives::Nothing,
        summary: "Puts a table into the record of the run; it is exported like a sweep.",
        example: "let rows = [[0.5.T, 14.1.GHz], [0.6.T, 16.9.GHz]];\nrecord_table(\"lines\", table([\"field\", \"line\"], rows));",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Tables)
    },
    Verb {
        name: "histogram",
        params: &[
            param("what", Kind::Data, "a trace, or a column of a sweep or a table"),
            param("bins", Kind::Number, "how many bins, 1 to 10,000"),
        ],
        gives: Gives::Handle("table"),
        summary: "How often values fall into bins of equal width from the least to the most: a table of the middle of each bin, `value`, and its `count`.",
        example: "let current = trace(\"Current\", 200, 5.ms);\nfor bin in histogram(current, 5) {\n    note(`${bin[1]} around ${bin[0]}`);\n}",
        ..in_chapter(Chapter::Tables)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    engine.register_type_with_name::<Table>("table");
    engine.register_fn("table", |ctx: NativeCallContext, what: Dynamic| table_of(&ctx, &what));
    engine.register_fn("table", |ctx: NativeCallContext, names: Dynamic, rows: Array| {
        let names = texts(&ctx, &names, "the names of the columns")?;
        written(&ctx, &names, &rows)
    });
    engine.register_fn("spectrum", |sweep: Sweep, channel: &str| {
        Table::spectrum(&sweep, channel).map_err(wrong)
    });
    engine.register_fn("average", |ctx: NativeCallContext, tables: Array| average(&ctx, &tables, None));
    engine.register_fn("average", |ctx: NativeCallContext, tables: Array, weights: Array| {
        average(&ctx, &tables, Some(&weights))
    });
    engine.register_fn("histogram", |ctx: NativeCallContext, what: Dynamic, bins: Dynamic| {
        let bins =
            usize::try_from(whole(&ctx, &bins, "the number of bins", 1)?).ok().filter(|b| *b <= 10_000);
        let bins = bins.ok_or_else(|| argument(&ctx, "a histogram has 1 to 10,000 bins"))?;
        let trace = what.read_lock::<Trace>().map(|trace| trace.numbers.clone());
        let numbers = trace.or_else(|| what.clone().try_cast::<Numbers>());
        let numbers = numbers.ok_or_else(|| {
            let given = kind_of(&what);
            argument(&ctx, format!("a histogram is made of a trace or a column, not of {given}"))
        })?;
        histogram(&numbers, bins).map_err(wrong)
    });
    let h = Rc::clone(host);
    engine.register_fn("record_table", move |ctx: NativeCallContext, name: &str, table: Table| {
        record(&h, &ctx, name, &table)
    });
    register_table_type(engine);
    register_arithmetic(engine);
}

/// A table of what a verb gave back.
fn table_of(ctx: &NativeCallContext<'_>, what: &Dynamic) -> Result<Table, Thrown> {
    let found = if let Some(sweep) = what.read_lock::<Sweep>() {
        Table::of_sweep(&sweep)
    } else if let Some(trace) = what.read_lock::<Trace>() {
        Table::of_trace(&trace)
    } else if let Some(image) = what.read_lock::<Image>() {
        Table::of_image(&image)
    } else if let Some(table) = what.read_lock::<Table>() {
        Ok(table.clone())
    } else {
        let given = kind_of(what);
        let message = format!(
            "a table is made of a sweep, a trace or an image, or of names and rows, table([\"field\", \"line\"], rows), not of {given}"
        );
        return Err(argument(ctx, &message));
    };
    found.map_err(wrong)
}

/// A table of rows of values, or of whole columns.
fn written(ctx: &NativeCallContext<'_>, names: &[String], rows: &Array) -> Result<Table, Thrown> {
    let whole_columns = !rows.is_empty() && rows.iter().all(Dynamic::is::<Numbers>);
    if whole_columns && rows.len() != names.len() {
        let message = format!("there are {} names for {} columns", names.len(), rows.len());
        return Err(argument(ctx, &message));
    }
    let mut columns = Vec::with_capacity(names.len());
    for (k, name) in names.iter().enumerate() {
        let numbers = match whole_columns {
            true => rows[k].clone().cast::<Numbers>(),
            false => column_of_rows(ctx, name, k, names.len(), rows)?,
        };
        columns.push(Column::new(name.clone(), numbers));
    }
    Table::new(columns, 1).map_err(wrong)
}

fn column_of_rows(
    ctx: &NativeCallContext<'_>,
    name: &str,
    k: usize,
    width: usize,
    rows: &Array,
) -> Result<Numbers, Thrown> {
    let mut values = Vec::with_capacity(rows.len());
    let mut dimension = None;
    for (i, row) in rows.iter().enumerate() {
        let cell = row.read_lock::<Array>().filter(|row| row.len() == width).map(|row| row[k].clone());
        let Some(cell) = cell else {
            return Err(argument(ctx, format!("row {i} is no list of {width} values, one for each column")));
        };
        // Nothing stands for a gap.
        if cell.is_unit() {
            values.push(f64::NAN);
            continue;
        }
        let found = cell.clone().try_cast::<Quantity>().or_else(|| plain_number(&cell).map(Quantity::number));
        let Some(quantity) = found else {
            return Err(argument(ctx, format!("`{name}` in row {i} is {}, not a number", kind_of(&cell))));
        };
        if *dimension.get_or_insert(quantity.dimension) != quantity.dimension {
            let before = dimension.unwrap_or(Dimension::NONE);
            let message = format!(
                "`{name}` is {before} in the rows before, and {quantity} in row {i} is {}",
                quantity.dimension
            );
            return Err(argument(ctx, &message));
        }
        values.push(quantity.si);
    }
    Ok(Numbers::new(values, dimension.unwrap_or(Dimension::NONE)))
}

fn average(ctx: &NativeCallContext<'_>, tables: &Array, weights: Option<&Array>) -> Result<Table, Thrown> {
    let tables = tables.iter().map(|item| table_of(ctx, item)).collect::<Result<Vec<_>, _>>()?;
    let number = |item: &Dynamic| {
        plain_number(item)
            .ok_or_else(|| argument(ctx, format!("a weight is a plain number, not {}", kind_of(item))))
    };
    let weights = weights.map(|list| list.iter().map(number).collect::<Result<Vec<_>, _>>()).transpose()?;
    Table::average(&tables, weights.as_deref()).map_err(wrong)
}

fn histogram(numbers: &Numbers, bins: usize) -> Result<Table, TableError> {
    let (least, most) = bounds(numbers.known());
    let width = ((most - least) / bins as f64).max(f64::MIN_POSITIVE);
    let mut counts = vec![0.0; bins];
    for value in numbers.known() {
        counts[(((value - least) / width) as usize).min(bins - 1)] += 1.0;
    }
    let middles = (0..bins).map(|i| least + (i as f64 + 0.5) * width).collect();
    let column = |name: &str, numbers| Column::new(name, numbers);
    let value = column("value", Numbers::new(middles, numbers.dimension));
    Table::new(vec![value, column("count", Numbers::new(counts, Dimension::NONE))], 1)
}

fn record(host: &Host, ctx: &NativeCallContext<'_>, name: &str, table: &Table) -> Result<(), Thrown> {
    if name.trim().is_empty() {
        return Err(argument(ctx, "a table needs a name"));
    }
    if table.rows().saturating_mul(2 * table.columns().len()) > MOST_RECORDED {
        let message = format!("a table in the record has at most {MOST_RECORDED} numbers, errors counted");
        return Err(argument(ctx, &message));
    }
    host.record(ctx, Statement::Table(table.to_record(name)))
}

fn register_table_type(engine: &mut Engine) {
    engine.register_get("rows", |table: &mut Table| table.rows() as i64);
    engine.register_get("columns", |table: &mut Table| -> Array {
        table.columns().iter().map(|column| Dynamic::from(column.name.clone())).collect()
    });
    let column = |table: &mut Table, name: &str| table.column(name).cloned().map_err(wrong);
    engine.register_fn("column", column);
    engine.register_indexer_get(column);
    engine.register_fn("with_column", |table: &mut Table, name: &str, numbers: Numbers| {
        table.with(name, numbers).map_err(wrong)
    });
    engine.register_fn("only", |ctx: NativeCallContext, table: &mut Table, names: Dynamic| {
        let names = texts(&ctx, &names, "the names of the columns")?;
        table.only(&names).map_err(wrong)
    });
    engine.register_fn("part", |ctx: NativeCallContext, table: &mut Table, from: Dynamic, to: Dynamic| {
        let end = |value: &Dynamic, what: &str| match value.is::<Quantity>() {
            true => {
                let help = "t.within(\"name\", from, to) cuts by values";
                Err(argument(&ctx, Said::with("`part` counts rows", help)))
            }
            false => whole(&ctx, value, what, 0).map(|row| row as usize),
        };
        let (from, to) = (end(&from, "the first row")?, end(&to, "the row at which it ends")?);
        table.part(from, to).map_err(|error| unfit(&ctx, error))
    });
    engine.register_fn(
        "within",
        |ctx: NativeCallContext, table: &mut Table, name: &str, least: Dynamic, most: Dynamic| {
            let end = |value: &Dynamic| -> Result<Quantity, Thrown> {
                let found = value
                    .clone()
                    .try_cast::<Quantity>()
                    .or_else(|| plain_number(value).map(Quantity::number));
                found.ok_or_else(|| {
                    argument(&ctx, format!("a range goes from a value to a value, not {}", kind_of(value)))
                })
            };
            let (least, most) = (end(&least)?, end(&most)?);
            table.within(name, least, most).map_err(wrong)
        },
    );
    engine.register_fn("at", |ctx: NativeCallContext, table: &mut Table, places: Dynamic| {
        let of_table = places.read_lock::<Table>().map(|other| other.columns()[0].numbers.clone());
        let places = of_table.or_else(|| places.clone().try_cast::<Numbers>()).or_else(|| {
            let one =
                places.clone().try_cast::<Quantity>().or_else(|| plain_number(&places).map(Quantity::number));
            one.map(|one| Numbers::new(vec![one.si], one.dimension))
        });
        let places = places.ok_or_else(|| {
            argument(
                &ctx,
                "a table is taken at a value, at a row of numbers, or at the places of another table",
            )
        })?;
        table.at(&places).map_err(wrong)
    });
    engine.register_iterator::<Table>();
    engine.register_iterator::<Numbers>();
    engine.register_fn("to_string", |table: &mut Table| {
        let names: Vec<&str> = table.columns().iter().map(|column| column.name.as_str()).collect();
        format!("table of {} rows: {}", table.rows(), names.join(", "))
    });
}

/// Rows, each a list with a value for each column.
impl IntoIterator for Table {
    type Item = Array;
    type IntoIter = Box<dyn Iterator<Item = Array>>;

    fn into_iter(self) -> Self::IntoIter {
        Box::new((0..self.rows()).map(move |i| {
            let cell = |column: &Column| as_value(column.numbers.quantity(column.numbers.values[i]));
            self.columns().iter().map(cell).collect()
        }))
    }
}

/// Numbers one by one.
impl IntoIterator for Numbers {
    type Item = Dynamic;
    type IntoIter = Box<dyn Iterator<Item = Dynamic>>;

    fn into_iter(self) -> Self::IntoIter {
        Box::new((0..self.values.len()).map(move |i| as_value(self.quantity(self.values[i]))))
    }
}

fn register_arithmetic(engine: &mut Engine) {
    let signs =
        [("+", Operation::Plus), ("-", Operation::Minus), ("*", Operation::Times), ("/", Operation::Over)];
    for (sign, operation) in signs {
        engine.register_fn(sign, move |a: Table, b: Table| a.combined(operation, &b).map_err(wrong));
        engine.register_fn(sign, move |a: Numbers, b: Numbers| a.with(operation, &b).map_err(wrong));
        with_one(engine, sign, |quantity: Quantity| quantity, operation);
        with_one(engine, sign, Quantity::number, operation);
        with_one(engine, sign, |whole: i64| Quantity::number(whole as f64), operation);
    }
    for sign in ["<", ">", "<=", ">=", "==", "!="] {
        not_compared::<Quantity>(engine, sign);
        not_compared::<f64>(engine, sign);
        not_compared::<i64>(engine, sign);
        engine.register_fn(sign, |_: Array, _: Quantity| no_order("a list", "list[0], or list.len()"));
        engine.register_fn(sign, |_: Quantity, _: Array| no_order("a list", "list[0], or list.len()"));
    }
    let functions: [(&str, Function); 4] = [
        ("abs", Function::Abs),
        ("sqrt", Function::Power(0.5)),
        ("exp", Function::Exp),
        ("ln", Function::Ln),
    ];
    let of = |numbers: &Numbers, function| numbers.map(function).map_err(wrong);
    for (name, function) in functions {
        engine.register_fn(name, move |numbers: Numbers| of(&numbers, function));
    }
    engine.register_fn("**", move |numbers: Numbers, power: i64| of(&numbers, Function::Power(power as f64)));
    engine.register_fn("**", move |numbers: Numbers, power: f64| of(&numbers, Function::Power(power)));
    engine.register_fn("-", |a: Numbers| {
        a.with_value(Operation::Times, Quantity::number(-1.0), false).map_err(wrong)
    });
}

/// A table or a row of numbers with one value on either side.
fn with_one<T: Clone + 'static>(
    engine: &mut Engine,
    sign: &str,
    value: impl Fn(T) -> Quantity + Copy + 'static,
    operation: Operation,
) {
    engine.register_fn(sign, move |a: Table, b: T| a.with_value(operation, value(b), false).map_err(wrong));
    engine.register_fn(sign, move |a: T, b: Table| b.with_value(operation, value(a), true).map_err(wrong));
    engine.register_fn(sign, move |a: Numbers, b: T| a.with_value(operation, value(b), false).map_err(wrong));
    engine.register_fn(sign, move |a: T, b: Numbers| b.with_value(operation, value(a), true).map_err(wrong));
}

/// Many numbers are neither more nor less than one value, and the language would say no without a word.
fn not_compared<T: Clone + 'static>(engine: &mut Engine, sign: &str) {
    let (row, table) =
        (("a row of numbers", "numbers[0], .mean, .least, .most"), ("a table", "table[\"name\"][0]"));
    engine.register_fn(sign, move |_: Numbers, _: T| no_order(row.0, row.1));
    engine.register_fn(sign, move |_: T, _: Numbers| no_order(row.0, row.1));
    engine.register_fn(sign, move |_: Table, _: T| no_order(table.0, table.1));
    engine.register_fn(sign, move |_: T, _: Table| no_order(table.0, table.1));
}

fn no_order(what: &str, instead: &str) -> Result<bool, Thrown> {
    let help = format!("compare one of its values, like {instead}");
    Err(wrong(Said::with(format!("{what} can't be compared with one value"), help)))
}
