//! Fits of built-in shapes, and what all fits share: the data they take, what may be said of their parameters, and how they
//! are kept.

use crate::analysis::fit::{self, Fit, FitError, Noise, Options, Set};
use crate::quantity::{Dimension, Quantity};
use crate::record::JudgementKind;
use crate::script::convert::{MapFields, plain_number};
use crate::script::error::{Said, Thrown, argument, unfit};
use crate::script::handles::{FitHandle, Measure, Sweep};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Gives, Kind, Verb, in_chapter, param};
use crate::script::table::Table;
use crate::supervisor::Statement;
use rhai::{Array, Dynamic, Engine, Map, NativeCallContext};
use serde_json::{Value, json};
use std::rc::Rc;

/// Shapes that can be fitted by their name.
const SHAPES: &[&str] = &["resonance", "lorentzian", "gaussian", "decay", "approach", "line"];

/// Kinds of noise by their names.
const NOISES: [(&str, Noise); 3] =
    [("independent", Noise::Independent), ("outliers", Noise::Outliers), ("slow", Noise::Slow)];

/// What a plan of a fit may hold.
pub(super) const PLAN: &str = "| start fix within noise";

/// The table of this file; it belongs to the chapter on analysis.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "fit_shape",
        params: &[
            param(
                "shape",
                Kind::OneOf(SHAPES),
                "`resonance`, `lorentzian`, `gaussian`, `decay`, `approach` or `line`",
            ),
            param("sweep", Kind::Sweeps, "a sweep or a table"),
            param("channel", Kind::Reading, "which reading"),
            param(
                "plan",
                Kind::Fields(PLAN),
                "values to begin with, `start: #{ width: 10.MHz }`; values that are held, `fix: #{ asymmetry: 0 }`; ranges, `within: #{ width: [5.MHz, 40.MHz] }`; and the noise: `\"independent\"`, `\"outliers\"` where some points lie far off, `\"slow\"` where neighbouring points err together",
            ),
        ],
        optional: 1,
        gives: Gives::Handle("fit"),
        summary: "Fits one of the built-in shapes to a reading against the axis of its sweep.",
        example: "let s = sweep(#{ channel: \"Bias\", from: 20.mV, to: 60.mV, points: 9, read: \"Current\" });\nlet line = fit_shape(\"line\", s, \"Current\", #{ noise: \"outliers\" });\nnote(`slope ${line.value(\"slope\")}`);",
        ..in_chapter(Chapter::Analysis)
    },
    Verb {
        name: "fit_points",
        params: &[
            param(
                "shape",
                Kind::OneOf(SHAPES),
                "`resonance`, `lorentzian`, `gaussian`, `decay`, `approach` or `line`",
            ),
            param("points", Kind::List, "a few results, `[[x, y], …]` or `[[x, y, error], …]`"),
        ],
        gives: Gives::Handle("fit"),
        summary: "Fits one of the built-in shapes through results that a sequence has gathered, like widths against power. For what was swept, use `fit_shape`.",
        example: "let rows = [];\nfor i in 0..5 { rows.push([i * 1.mT, 2.MHz + i * 28.MHz, 0.1.MHz]); }\nlet line = fit_points(\"line\", rows);\nnote(`slope ${line.slope} ± ${line.slope_error}`);",
        ..in_chapter(Chapter::Analysis)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn(
        "fit_shape",
        move |ctx: NativeCallContext, shape: &str, sweep: Dynamic, channel: &str| {
            fit_shape(&h, &ctx, shape, sweep, channel, Map::new())
        },
    );
    let h = Rc::clone(host);
    engine.register_fn(
        "fit_shape",
        move |ctx: NativeCallContext, shape: &str, sweep: Dynamic, channel: &str, plan: Map| {
            fit_shape(&h, &ctx, shape, sweep, channel, plan)
        },
    );
    let h = Rc::clone(host);
    engine.register_fn("fit_points", move |ctx: NativeCallContext, shape: &str, points: Array| {
        fit_points(&h, &ctx, shape, points)
    });
}

/// The axis and a reading of a sweep, without doubtful points.
pub(super) fn spectrum(
    ctx: &NativeCallContext<'_>,
    sweep: &Sweep,
    channel: &str,
) -> Result<(Vec<f64>, Vec<f64>), Thrown> {
    sweep.spectrum(channel).ok_or_else(|| argument(ctx, format!("this sweep did not read `{channel}`")))
}

/// What the axis of a sweep and one of its readings are measured in.
pub(super) fn dimensions(sweep: &Sweep, channel: &str) -> (Dimension, Dimension) {
    let x = sweep.bench.channel(sweep.data.plan.fast.channel).dimension();
    (x, sweep.column(channel).map_or(Dimension::NONE, |column| column.dimension))
}

/// One curve that can be fitted, and where it is from.
struct Source {
    x: Vec<f64>,
    y: Vec<f64>,
    /// Standard deviations of y; empty where they are not known.
    sigmas: Vec<f64>,
    /// What x and y are measured in.
    axes: (Dimension, Dimension),
    /// As people know it.
    label: String,
    /// Number of its sweep.
    sweep: Option<u64>,
    /// Doubtful points that have no part in it.
    left_out: (u64, String),
}

impl Source {
    /// Whatever holds a curve: all fits take their data here.
    fn take(ctx: &NativeCallContext<'_>, what: &Dynamic, channel: &str) -> Result<Self, Thrown> {
        if let Some(table) = what.read_lock::<Table>() {
            return Self::of_table(ctx, &table, channel);
        }
        let Some(sweep) = what.clone().try_cast::<Sweep>() else {
            let kind = crate::script::convert::kind_of(what);
            return Err(argument(
                ctx,
                format!("a sweep or a table is fitted, or a list of them, not {kind}"),
            ));
        };
        let (x, y) = spectrum(ctx, &sweep, channel)?;
        Ok(Self {
            x,
            y,
            sigmas: Vec::new(),
            axes: dimensions(&sweep, channel),
            label: format!("{} {}", sweep.data.plan.name, sweep.data.sweep),
            sweep: Some(sweep.data.sweep),
            left_out: (sweep.data.doubtful.count(), sweep.left_out_in_words()),
        })
    }

    /// A column of a table; its errors count where all of them are known.
    fn of_table(ctx: &NativeCallContext<'_>, table: &Table, column: &str) -> Result<Self, Thrown> {
        let curve = table.curve(Some(column)).map_err(|error| argument(ctx, error))?;
        Ok(Self {
            x: curve.x,
            y: curve.y,
            sigmas: curve.sigmas.unwrap_or_default(),
            axes: (curve.x_is, curve.y_is),
            label: format!("`{column}` of a table"),
            sweep: None,
            left_out: (0, String::new()),
        })
    }
}

/// One or several curves, ready to be fitted.
pub(super) struct Data {
    sources: Vec<Source>,
    channel: String,
    /// What x and y are measured in.
    pub(super) axes: (Dimension, Dimension),
}

impl Data {
    /// From one source or a list of them.
    pub(super) fn take(ctx: &NativeCallContext<'_>, what: Dynamic, channel: &str) -> Result<Self, Thrown> {
        let items = what.clone().try_cast::<Array>().unwrap_or_else(|| vec![what]);
        let sources =
            items.iter().map(|item| Source::take(ctx, item, channel)).collect::<Result<Vec<_>, _>>()?;
        let [first, ..] = sources.as_slice() else { return Err(argument(ctx, "there are no sweeps to fit")) };
        let axes = first.axes;
        if sources.iter().any(|s| s.axes.0 != axes.0) {
            return Err(argument(ctx, "the sweeps go along different quantities"));
        }
        if sources.iter().any(|s| s.axes.1 != axes.1) {
            return Err(argument(ctx, "the readings of the sweeps are of different kinds"));
        }
        Ok(Self { sources, channel: channel.to_owned(), axes })
    }

    /// The one curve, where there may be one only.
    pub(super) fn only(&self, ctx: &NativeCallContext<'_>) -> Result<(&[f64], &[f64]), Thrown> {
        match self.sources.as_slice() {
            [one] => Ok((&one.x, &one.y)),
            _ => Err(argument(
                ctx,
                Said::with("one sweep is fitted at a time", "`fit_together` takes several"),
            )),
        }
    }

    /// How many curves there are.
    pub(super) fn count(&self) -> usize {
        self.sources.len()
    }

    /// The x of the first curve.
    pub(super) fn first_x(&self) -> &[f64] {
        &self.sources[0].x
    }

    /// The x of each curve, for [`sets`](Self::sets).
    pub(super) fn columns(&self) -> Vec<[&[f64]; 1]> {
        self.sources.iter().map(|s| [s.x.as_slice()]).collect()
    }

    /// The data as the fits take them.
    pub(super) fn sets<'a>(&'a self, columns: &'a [[&'a [f64]; 1]]) -> Vec<Set<'a>> {
        let each = self.sources.iter().zip(columns);
        each.map(|(s, columns)| Set { columns, y: &s.y, sigmas: &s.sigmas }).collect()
    }

    /// Keeps a fit of these data in the record and gives its handle.
    pub(super) fn keep(
        &self,
        host: &Host,
        ctx: &NativeCallContext<'_>,
        shape: &str,
        fitted: Result<Fit, FitError>,
        units: Vec<(String, Dimension)>,
    ) -> Result<FitHandle, Thrown> {
        let fit = fitted.map_err(|error| unfit(ctx, format!("{} can't be fitted: {error}", self.label())))?;
        let handle = FitHandle::new(fit, self.axes).with_units(units);
        let left_out: String = self.sources.iter().map(|s| s.left_out.1.as_str()).collect();
        let title = format!("{}, {shape}: {}{left_out}", self.label(), in_short(&handle));
        let mut body = fit_body(&self.channel, &handle, self.sources.iter().map(|s| s.left_out.0).sum());
        let sweep = match self.sources.as_slice() {
            [one] => one.sweep,
            several => {
                body["sweeps"] = several.iter().filter_map(|s| s.sweep).collect::<Vec<_>>().into();
                None
            }
        };
        host.record(ctx, Statement::Judgement { what: JudgementKind::Fit, sweep, title, body })?;
        Ok(handle)
    }

    fn label(&self) -> String {
        match self.sources.as_slice() {
            [one] => one.label.clone(),
            several => format!("{} sweeps together", several.len()),
        }
    }
}

/// What a plan says of the parameters and of the noise.
pub(super) fn options(
    ctx: &NativeCallContext<'_>,
    fields: &mut MapFields<'_>,
    axes: (Dimension, Dimension),
) -> Result<Options, Thrown> {
    let mut options = Options::new();
    for (name, value) in entries(ctx, fields.take("start"), "start")? {
        options = options.start(&name, si(ctx, &value, &name, axes)?);
    }
    for (name, value) in entries(ctx, fields.take("fix"), "fix")? {
        options = options.fix(&name, si(ctx, &value, &name, axes)?);
    }
    for (name, value) in entries(ctx, fields.take("within"), "within")? {
        let range = value.try_cast::<Array>().filter(|range| range.len() == 2);
        let range = range
            .ok_or_else(|| argument(ctx, format!("the range of `{name}` is a pair, like [5.MHz, 40.MHz]")))?;
        let end = |k: usize| si(ctx, &range[k], &name, axes);
        options = options.bound(&name, end(0)?, end(1)?);
    }
    Ok(options.noise(noise(ctx, fields)?))
}

/// The kind of noise that a plan names.
pub(super) fn noise(ctx: &NativeCallContext<'_>, fields: &mut MapFields<'_>) -> Result<Noise, Thrown> {
    let Some(name) = fields.text("noise")? else { return Ok(Noise::Independent) };
    let known = NOISES.iter().find(|(known, _)| *known == name).map(|(_, noise)| *noise);
    known.ok_or_else(|| {
        let all = NOISES.map(|(name, _)| name).join(", ");
        argument(ctx, Said::with(format!("there is no noise `{name}`"), format!("there are {all}")))
    })
}

/// Names with what was said of them; none where the field was left out.
fn entries(
    ctx: &NativeCallContext<'_>,
    value: Option<Dynamic>,
    field: &str,
) -> Result<Vec<(String, Dynamic)>, Thrown> {
    let Some(value) = value else { return Ok(Vec::new()) };
    let map = value
        .try_cast::<Map>()
        .ok_or_else(|| argument(ctx, format!("`{field}` is a map of names, like #{{ width: … }}")))?;
    Ok(map.into_iter().map(|(name, value)| (name.to_string(), value)).collect())
}

/// A value for a parameter, in SI; one with a unit must have that of the parameter.
fn si(
    ctx: &NativeCallContext<'_>,
    value: &Dynamic,
    name: &str,
    (x, y): (Dimension, Dimension),
) -> Result<f64, Thrown> {
    let found =
        any_quantity(value).ok_or_else(|| argument(ctx, format!("the value for `{name}` is no number")))?;
    let wanted = Measure::of(name).dimension(x, y);
    if found.dimension != wanted && !(found.dimension.is_none() && found.si == 0.0) {
        return Err(argument(ctx, format!("`{name}` is {wanted}, but {found} is {}", found.dimension)));
    }
    Ok(found.si)
}

/// Any value with or without a unit.
pub(super) fn any_quantity(value: &Dynamic) -> Option<Quantity> {
    value.clone().try_cast::<Quantity>().or(plain_number(value).map(Quantity::number))
}

fn fit_shape(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    shape: &str,
    sweep: Dynamic,
    channel: &str,
    plan: Map,
) -> Result<FitHandle, Thrown> {
    let data = Data::take(ctx, sweep, channel)?;
    let (x, y) = data.only(ctx)?;
    let mut fields = MapFields::new(ctx, "fit_shape", plan);
    let options = options(ctx, &mut fields, data.axes)?.sigmas(&data.sources[0].sigmas);
    fields.finish()?;
    let fitted = shaped(ctx, shape, x, y, &options)?;
    data.keep(host, ctx, shape, fitted, Vec::new())
}

type Fitted = Result<Fit, FitError>;

fn shaped(
    ctx: &NativeCallContext<'_>,
    shape: &str,
    x: &[f64],
    y: &[f64],
    options: &Options,
) -> Result<Fitted, Thrown> {
    match shape {
        "resonance" => Ok(fit::resonance(x, y, options)),
        "lorentzian" => Ok(fit::lorentzian(x, y, options)),
        "gaussian" => Ok(fit::gaussian(x, y, options)),
        "decay" => Ok(fit::decay(x, y, options)),
        "approach" => Ok(fit::approach(x, y, options)),
        "line" => Ok(fit::line(x, y, options)),
        _ => {
            let all = format!("there are {}", SHAPES.join(", "));
            Err(argument(ctx, Said::with(format!("there is no shape `{shape}`"), all)))
        }
    }
}

fn fit_points(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    shape: &str,
    points: Array,
) -> Result<FitHandle, Thrown> {
    let mut columns = [const { Vec::new() }; 3];
    let mut dimensions: [Option<Dimension>; 3] = [None; 3];
    for (i, row) in points.into_iter().enumerate() {
        let row = row.try_cast::<Array>().filter(|row| (2..=3).contains(&row.len()));
        let row = row.ok_or_else(|| argument(ctx, format!("row {i} is not [x, y] or [x, y, error]")))?;
        for (k, value) in row.iter().enumerate() {
            let value = any_quantity(value).ok_or_else(|| {
                argument(ctx, format!("row {i} of the list holds something that is no number"))
            })?;
            // An error has the unit of its value.
            let wanted = *dimensions[k.min(1)].get_or_insert(value.dimension);
            if value.dimension != wanted {
                return Err(argument(ctx, format!("row {i}: {value} is not {wanted} like those before it")));
            }
            columns[k].push(value.si);
        }
    }
    let [x, y, errors] = columns;
    let options = match errors.len() {
        0 => Options::new(),
        n if n == x.len() => Options::new().sigmas(&errors),
        _ => return Err(argument(ctx, "either every row has an error, or none has")),
    };
    let fit = shaped(ctx, shape, &x, &y, &options)?
        .map_err(|error| unfit(ctx, format!("these points can't be fitted: {error}")))?;
    let [x_is, y_is, _] = dimensions.map(|dimension| dimension.unwrap_or(Dimension::NONE));
    let handle = FitHandle::new(fit, (x_is, y_is));
    let title = format!("{} points, {shape}: {}", x.len(), in_short(&handle));
    let body = json!({ "x": x, "y": y, "fit": &*handle.fit, "trusted": handle.fit.trusted(),
        "why": handle.fit.words() });
    host.record(ctx, Statement::Judgement { what: JudgementKind::Fit, sweep: None, title, body })?;
    Ok(handle)
}

/// A fit as it goes into the record; doubtful points had no part in it.
pub(super) fn fit_body(channel: &str, handle: &FitHandle, left_out: u64) -> Value {
    let mut body = json!({ "channel": channel, "fit": &*handle.fit, "trusted": handle.fit.trusted(),
        "why": handle.fit.words() });
    if left_out > 0 {
        body["left_out"] = left_out.into();
    }
    body
}

/// Errors and widths are read to three digits.
pub(super) fn rounded(quantity: Quantity) -> Quantity {
    let digits = crate::quantity::significant(quantity.si, 3).parse().unwrap_or(quantity.si);
    Quantity::new(digits, quantity.dimension)
}

/// Parameters with their errors.
fn in_short(handle: &FitHandle) -> String {
    let one = |p: &fit::Parameter| {
        let show = |si| rounded(Quantity::new(si, handle.dimension(&p.name)));
        if p.fixed {
            return format!("{} {} (held)", p.name, show(p.value));
        }
        format!("{} {} ± {}", p.name, show(p.value), show(p.standard_error))
    };
    let values: Vec<String> = handle.fit.parameters.iter().map(one).collect();
    values.join(", ")
}
