//! Noise: how it is spread over frequencies and over averaging times.

use crate::analysis::noise::{allan_deviation, welch};
use crate::quantity::Dimension;
use crate::script::convert::{kind_of, whole};
use crate::script::error::{Thrown, argument, unfit};
use crate::script::handles::Trace;
use crate::script::numbers::Numbers;
use crate::script::registry::{Chapter, Gives, Kind, Verb, in_chapter, param};
use crate::script::table::{Column, Table};
use rhai::{Dynamic, Engine, NativeCallContext};

/// Part of the distance of two rows by which it may differ from the others and the rows still are evenly spaced.
const EVENLY: f64 = 1e-6;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "noise_spectrum",
        params: &[
            param("what", Kind::Data, "a trace, or a table of one column along an evenly spaced time"),
            param(
                "stretch",
                Kind::Number,
                "points of a stretch; an eighth of the trace where it is left out",
            ),
        ],
        optional: 1,
        gives: Gives::Handle("table"),
        summary: "The one-sided density of noise over `frequency`, from stretches that overlap by half, each less its mean and under a Hann window: `density` is in the square of the unit per Hz, with its error.",
        example: "let current = trace(\"Current\", 512, 5.ms);\nlet noise = noise_spectrum(current, 128);\nnote(`${sqrt(noise[\"density\"])[4]} at ${noise[\"frequency\"][4]}`);",
        ..in_chapter(Chapter::Tables)
    },
    Verb {
        name: "allan_deviation",
        params: &[param("what", Kind::Data, "a trace, or a table of one column along an evenly spaced time")],
        gives: Gives::Handle("table"),
        summary: "How far means of neighbouring stretches differ, by the length of the stretches, `time`: the overlapping Allan `deviation` with its error. Where it is least, averaging longer does not help any more.",
        example: "let current = trace(\"Current\", 512, 5.ms);\nfor row in allan_deviation(current) {\n    note(`means over ${row[0]} differ by ${row[1]}`);\n}",
        ..in_chapter(Chapter::Tables)
    },
];

pub(super) fn register(engine: &mut Engine) {
    engine.register_fn("noise_spectrum", |ctx: NativeCallContext, what: Dynamic| {
        let series = Series::of(&ctx, &what)?;
        let eighth = (series.numbers.values.len() / 8).max(8);
        spectrum(&ctx, &series, eighth)
    });
    engine.register_fn("noise_spectrum", |ctx: NativeCallContext, what: Dynamic, stretch: Dynamic| {
        let stretch = whole(&ctx, &stretch, "the length of a stretch", 8)?;
        spectrum(&ctx, &Series::of(&ctx, &what)?, usize::try_from(stretch).unwrap_or(usize::MAX))
    });
    engine.register_fn("allan_deviation", |ctx: NativeCallContext, what: Dynamic| {
        allan(&ctx, &Series::of(&ctx, &what)?)
    });
}

/// Readings evenly spaced in time.
struct Series {
    numbers: Numbers,
    interval_s: f64,
}

impl Series {
    fn of(ctx: &NativeCallContext<'_>, what: &Dynamic) -> Result<Self, Thrown> {
        if let Some(trace) = what.read_lock::<Trace>() {
            return Ok(Self { numbers: trace.numbers.clone(), interval_s: trace.interval_s });
        }
        let Some(table) = what.read_lock::<Table>() else {
            return Err(argument(
                ctx,
                format!("noise is worked out of a trace or a table, not of {}", kind_of(what)),
            ));
        };
        let [time, column] = table.columns() else {
            return Err(argument(ctx, "the table needs two columns here, time and one reading: use `only`"));
        };
        let (times, rows) = (&time.numbers.values, table.rows());
        if time.numbers.dimension != Dimension::TIME || rows < 2 {
            return Err(argument(
                ctx,
                format!("`{}` is no time along which noise could be worked out", time.name),
            ));
        }
        let interval_s = (times[rows - 1] - times[0]) / (rows - 1) as f64;
        let uneven = times.windows(2).position(|pair| {
            let step = pair[1] - pair[0];
            // Gaps in the time are uneven as well.
            !(step > 0.0 && (step - interval_s).abs() <= EVENLY * interval_s)
        });
        if let Some(i) = uneven {
            return Err(argument(
                ctx,
                format!("`{}` is not evenly spaced: look at row {}", time.name, i + 1),
            ));
        }
        Ok(Self { numbers: column.numbers.clone(), interval_s })
    }
}

fn spectrum(ctx: &NativeCallContext<'_>, series: &Series, stretch: usize) -> Result<Table, Thrown> {
    let psd = welch(&series.numbers.values, 1.0 / series.interval_s, stretch)
        .map_err(|error| unfit(ctx, format!("no spectrum of this noise: {error}")))?;
    let dimension = series.numbers.dimension.change().power(2).over(Dimension::FREQUENCY);
    let errors = psd.density.iter().map(|density| density * psd.relative_error).collect();
    let density = Numbers::new(psd.density, dimension).with_errors(errors);
    table(ctx, ("frequency", Numbers::new(psd.f_hz, Dimension::FREQUENCY)), ("density", density))
}

fn allan(ctx: &NativeCallContext<'_>, series: &Series) -> Result<Table, Thrown> {
    let points = allan_deviation(&series.numbers.values, series.interval_s)
        .map_err(|error| unfit(ctx, format!("no Allan deviation: {error}")))?;
    let times = points.iter().map(|point| point.tau_s).collect();
    let values = points.iter().map(|point| point.deviation).collect();
    let deviation = Numbers::new(values, series.numbers.dimension.change());
    let deviation = deviation.with_errors(points.iter().map(|point| point.error).collect());
    table(ctx, ("time", Numbers::new(times, Dimension::TIME)), ("deviation", deviation))
}

fn table(
    ctx: &NativeCallContext<'_>,
    axis: (&str, Numbers),
    column: (&str, Numbers),
) -> Result<Table, Thrown> {
    let columns = [axis, column].map(|(name, numbers)| Column::new(name, numbers));
    Table::new(columns.to_vec(), 1).map_err(|error| argument(ctx, error))
}
