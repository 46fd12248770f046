//! Moving the tip: approach, withdraw, go to a spin, stay on it.

use crate::analysis::spots;
use crate::bench::{Role, TaskKind};
use crate::instrument::{Task, TaskReport};
use crate::quantity::{Dimension, Quantity};
use crate::record::{CentrePlan, Centred, JudgementKind};
use crate::script::convert::{MapFields, number, quantity};
use crate::script::error::{Thrown, argument, thrown};
use crate::script::handles::Image;
use crate::script::host::Host;
use crate::script::registry::{Chapter, Deed, Gives, Kind, Nature, Time, Verb, acts, in_chapter, param};
use crate::supervisor::procedure::MOVE_SPEED_M_S;
use crate::supervisor::{Answer, Request, Statement};
use rhai::{Array, Dynamic, Engine, Map, NativeCallContext};
use std::rc::Rc;

/// How far a re-centring looks to each side where the bench says nothing, m: about the size of an atom.
const CENTRING_REACH_M: f64 = 0.25e-9;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "approach",
        gives: Gives::Nothing,
        summary: "Brings the tip into tunnelling range. An error if it does not get there.",
        example: "approach();",
        nature: acts(Time::Open, &[], &[TaskKind::Approach]),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "withdraw",
        gives: Gives::Nothing,
        summary: "Pulls the tip out of tunnelling range.",
        example: "withdraw();",
        nature: Nature { deed: Deed::Secures, ..acts(Time::Open, &[], &[TaskKind::Withdraw]) },
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "go_to",
        params: &[param("x", Kind::Length, "place along x"), param("y", Kind::Length, "place along y")],
        gives: Gives::Nothing,
        summary: "Moves the tip along the surface, loop closed, at 5 nm/s.",
        example: "go_to(1.nm, -2.nm);",
        nature: acts(Time::Open, &[Role::TipX, Role::TipY], &[TaskKind::MoveTip]),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "image",
        params: &[param(
            "plan",
            Kind::Fields("size pixels line_time | x y"),
            "the frame: centre, side, pixels, time for one line",
        )],
        gives: Gives::Handle("image"),
        summary: "Scans an image of heights, and brings the tip back to where it was.",
        example: "let picture = image(#{ size: 10.nm, pixels: 24, line_time: 400.ms });",
        nature: acts(Time::Open, &[Role::TipX, Role::TipY], &[TaskKind::Image]),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "find_spots",
        params: &[param("image", Kind::Handle("image"), "an image")],
        gives: Gives::Told("a list of maps with `x`, `y`, `height`, `nearest`"),
        summary: "The places in an image that stand out from the terrace they lie on and fall off on all sides, highest first; what is wider than 3 nm, and an edge, is ground. `nearest` is how far off the nearest other one lies: a spin with a neighbour within 1.5 nm may be coupled to it, and its line is no single moment's. Where there is only one, it is the size of the image.",
        example: "let spots = find_spots(image(#{ size: 20.nm, pixels: 40, line_time: 400.ms }));",
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "recentre",
        params: &[param("reach", Kind::Length, "how far to look to each side")],
        optional: 1,
        gives: Gives::Told("a map with `dx`, `dy`, `error`, `found`"),
        summary: "Puts the tip on the highest place near by, to make up for drift: heights at nine places, a paraboloid through them, again until its top lies in the middle. Where there is none, the tip goes back to where it was. `recentre` in the bench file says how far it looks, with how many places, by which channel.",
        example: "recentre();",
        nature: acts(Time::Open, &[Role::TipX, Role::TipY, Role::Height], &[TaskKind::MoveTip]),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "coarse_steps",
        params: &[param("steps", Kind::Number, "how many, away from the surface if negative")],
        gives: Gives::Told("a map with `achieved` and `remark`"),
        summary: "Steps of the coarse motor. Only with the tip withdrawn; never repeated on its own.",
        example: "coarse_steps(-2);",
        nature: acts(Time::Open, &[], &[TaskKind::CoarseStep]),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "coarse_shift",
        params: &[param("x", Kind::Number, "steps along x"), param("y", Kind::Number, "steps along y")],
        gives: Gives::Told("a map with `achieved` and `remark`"),
        summary: "Steps of the coarse motor along the surface, to another area. Only with the tip withdrawn; never repeated on its own. What was known of places on the surface holds no more.",
        example: "withdraw();\ncoarse_shift(2, 0);\napproach();",
        nature: acts(Time::Open, &[], &[TaskKind::CoarseShift]),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "pulse",
        params: &[param("volts", Kind::Voltage, "height"), param("length", Kind::Time, "length")],
        gives: Gives::Told("a map with `achieved` and `remark`"),
        summary: "A voltage pulse between tip and sample. Never repeated on its own.",
        example: "pulse(1.5.V, 20.ms);",
        nature: acts(Time::Open, &[], &[TaskKind::Pulse]),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "pick_up",
        gives: Gives::Told("a map with `achieved` and `remark`"),
        summary: "Tries to pick up the atom under the tip. Never repeated on its own.",
        example: "let attempt = pick_up();",
        nature: acts(Time::Open, &[], &[TaskKind::PickUp]),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "put_down",
        gives: Gives::Told("a map with `achieved` and `remark`"),
        summary: "Tries to put down one of the atoms on the tip. Never repeated on its own.",
        example: "put_down();",
        nature: acts(Time::Open, &[], &[TaskKind::PutDown]),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "regenerate_pot",
        gives: Gives::Told("a map with `achieved` and `remark`"),
        summary: "Regenerates the condensation pot; the stage warms up meanwhile, so withdraw first.",
        example: "regenerate_pot();",
        nature: acts(Time::Open, &[], &[TaskKind::Regenerate]),
        ..in_chapter(Chapter::Tip)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("approach", move |ctx: NativeCallContext| must(&h, &ctx, Task::Approach));
    let h = Rc::clone(host);
    engine.register_fn("withdraw", move |ctx: NativeCallContext| must(&h, &ctx, Task::Withdraw));
    let h = Rc::clone(host);
    engine.register_fn(
        "go_to",
        move |ctx: NativeCallContext, x: Dynamic, y: Dynamic| -> Result<(), Thrown> {
            let x_m = quantity(&ctx, &x, Dimension::LENGTH, "x")?;
            let y_m = quantity(&ctx, &y, Dimension::LENGTH, "y")?;
            go_to(&h, &ctx, x_m, y_m)
        },
    );
    let h = Rc::clone(host);
    engine.register_fn("image", move |ctx: NativeCallContext, plan: Map| image(&h, &ctx, plan));
    engine.register_type_with_name::<Image>("image");
    engine.register_fn("find_spots", find_spots);
    let h = Rc::clone(host);
    engine.register_fn("recentre", move |ctx: NativeCallContext| recentre(&h, &ctx, None));
    let h = Rc::clone(host);
    engine.register_fn("recentre", move |ctx: NativeCallContext, reach: Dynamic| {
        let reach_m = quantity(&ctx, &reach, Dimension::LENGTH, "the reach")?;
        recentre(&h, &ctx, Some(reach_m))
    });
    register_once_only(engine, host);
}

fn register_once_only(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("coarse_steps", move |ctx: NativeCallContext, steps: Dynamic| {
        let steps = whole_steps(&ctx, &steps, 1e5)?;
        attempt(&h, &ctx, Task::CoarseStep { steps })
    });
    let h = Rc::clone(host);
    engine.register_fn("coarse_shift", move |ctx: NativeCallContext, x: Dynamic, y: Dynamic| {
        let (x_steps, y_steps) = (whole_steps(&ctx, &x, 1e3)?, whole_steps(&ctx, &y, 1e3)?);
        attempt(&h, &ctx, Task::CoarseShift { x_steps, y_steps })
    });
    let h = Rc::clone(host);
    engine.register_fn("pulse", move |ctx: NativeCallContext, volts: Dynamic, length: Dynamic| {
        let volts = quantity(&ctx, &volts, Dimension::VOLTAGE, "the height of the pulse")?;
        let length_s = quantity(&ctx, &length, Dimension::TIME, "the length of the pulse")?;
        attempt(&h, &ctx, Task::Pulse { volts, length_s })
    });
    for (name, task) in
        [("pick_up", Task::PickUp), ("put_down", Task::PutDown), ("regenerate_pot", Task::Regenerate)]
    {
        let h = Rc::clone(host);
        engine.register_fn(name, move |ctx: NativeCallContext| attempt(&h, &ctx, task));
    }
}

fn whole_steps(ctx: &NativeCallContext<'_>, steps: &Dynamic, most: f64) -> Result<i32, Thrown> {
    let steps = number(ctx, steps, "the number of steps")?;
    if steps.fract() != 0.0 || steps.abs() > most {
        return Err(argument(ctx, format!("the number of steps is a whole number, at most {most}")));
    }
    Ok(steps as i32)
}

fn task(host: &Host, ctx: &NativeCallContext<'_>, task: Task) -> Result<TaskReport, Thrown> {
    match host.call(ctx, Request::Task(task))? {
        Answer::Task(report) => Ok(report),
        other => Err(argument(ctx, format!("a report was expected, not {other:?}"))),
    }
}

pub(super) fn must(host: &Host, ctx: &NativeCallContext<'_>, wanted: Task) -> Result<(), Thrown> {
    let report = task(host, ctx, wanted)?;
    if report.achieved {
        return Ok(());
    }
    Err(thrown(ctx, "instrument", "refused", format!("{}: {}", wanted.kind().name(), report.remark)))
}

pub(super) fn attempt(host: &Host, ctx: &NativeCallContext<'_>, wanted: Task) -> Result<Map, Thrown> {
    let report = task(host, ctx, wanted)?;
    let mut map = Map::new();
    map.insert("achieved".into(), report.achieved.into());
    map.insert("remark".into(), report.remark.into());
    Ok(map)
}

pub(super) fn go_to(host: &Host, ctx: &NativeCallContext<'_>, x_m: f64, y_m: f64) -> Result<(), Thrown> {
    for (role, value) in [("TipX", x_m), ("TipY", y_m)] {
        let channel = host.channel_at(host.channel(ctx, role)?);
        if !channel.within(value) {
            let limits = format!("{} to {}", channel.show(channel.min), channel.show(channel.max));
            let message =
                format!("{} lies outside the limits of `{}`, {limits}", channel.show(value), channel.name);
            return Err(thrown(ctx, "forbidden", "refused", &message));
        }
    }
    must(host, ctx, Task::MoveTip { x_m, y_m, speed_m_s: MOVE_SPEED_M_S })
}

fn position(host: &Host, ctx: &NativeCallContext<'_>) -> Result<(f64, f64), Thrown> {
    let channels = vec![host.channel(ctx, "TipX")?, host.channel(ctx, "TipY")?];
    match host.call(ctx, Request::Read { channels, samples: 1, spacing_s: 0.0 })? {
        Answer::Numbers(at) if at.len() == 2 => Ok((at[0], at[1])),
        other => Err(argument(ctx, format!("a position was expected, not {other:?}"))),
    }
}

fn image(host: &Host, ctx: &NativeCallContext<'_>, map: Map) -> Result<Image, Thrown> {
    let mut fields = MapFields::new(ctx, "image", map);
    let size_m = fields.quantity("size", Dimension::LENGTH)?;
    let pixels = fields.whole("pixels", 4)?;
    let line_s = fields.time("line_time")?;
    let x_m = fields.quantity("x", Dimension::LENGTH)?;
    let y_m = fields.quantity("y", Dimension::LENGTH)?;
    fields.finish()?;
    let (Some(size_m), Some(pixels), Some(line_s)) = (size_m, pixels, line_s) else {
        return Err(argument(ctx, "`image` needs the fields `size`, `pixels` and `line_time`"));
    };
    let pixels = u32::try_from(pixels).ok().filter(|p| *p <= 2048);
    let pixels = pixels.ok_or_else(|| argument(ctx, "an image has at most 2048 pixels along a side"))?;
    let here = if x_m.is_none() || y_m.is_none() { position(host, ctx)? } else { (0.0, 0.0) };
    let centre_m = (x_m.unwrap_or(here.0), y_m.unwrap_or(here.1));
    let (x_m, y_m) = centre_m;
    let report = task(host, ctx, Task::Image { x_m, y_m, size_m, pixels, line_s })?;
    if !report.achieved || report.data.len() != (pixels * pixels) as usize {
        return Err(thrown(ctx, "instrument", "garbled", format!("the image failed: {}", report.remark)));
    }
    Ok(Image { heights_m: report.data.into(), pixels, centre_m, size_m })
}

fn find_spots(image: &mut Image) -> Array {
    let step = image.size_m / f64::from(image.pixels);
    let found = spots::find(&image.heights_m, image.pixels as usize, spots::reach(step));
    let at = |pixel: f64, centre: f64| centre + (pixel + 0.5) * step - 0.5 * image.size_m;
    let nearest_m = |i: usize| {
        let others = found.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, other)| other);
        let away =
            others.map(|other| (other.column - found[i].column).hypot(other.row - found[i].row) * step);
        away.fold(image.size_m, f64::min)
    };
    found
        .iter()
        .enumerate()
        .map(|(i, spot)| {
            let mut map = Map::new();
            let length = |si| Dynamic::from(Quantity::new(si, Dimension::LENGTH));
            map.insert("x".into(), length(at(spot.column, image.centre_m.0)));
            map.insert("y".into(), length(at(spot.row, image.centre_m.1)));
            map.insert("height".into(), length(spot.height));
            map.insert("nearest".into(), length(nearest_m(i)));
            Dynamic::from_map(map)
        })
        .collect()
}

/// Puts the tip on the top near by; what came of it goes into the record.
fn recentre(host: &Host, ctx: &NativeCallContext<'_>, reach_m: Option<f64>) -> Result<Map, Thrown> {
    let centred = centre(host, ctx, reach_m)?;
    let length = |si| Dynamic::from(Quantity::new(si, Dimension::LENGTH));
    let mut map = Map::new();
    map.insert("dx".into(), length(centred.dx_m));
    map.insert("dy".into(), length(centred.dy_m));
    map.insert("error".into(), length(centred.x_error_m.hypot(centred.y_error_m)));
    map.insert("found".into(), centred.found.into());
    Ok(map)
}

/// The same for other verbs.
pub(super) fn centre(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    reach_m: Option<f64>,
) -> Result<Centred, Thrown> {
    if let Some(reach_m) = reach_m.filter(|reach| !(*reach > 0.0 && *reach <= 1e-6)) {
        let reach = Quantity::new(reach_m, Dimension::LENGTH);
        return Err(argument(ctx, format!("a reach of {reach} makes no pattern of places")));
    }
    let plan = match &host.bench.recentre {
        Some(plan) => CentrePlan::of_bench(plan),
        None => CentrePlan {
            channel: host.channel(ctx, "Height")?,
            reach_m: CENTRING_REACH_M,
            points: 3,
            search_m: 0.0,
            expected: None,
        },
    };
    // The verb looks near by; only after a hold the spot is searched for.
    let plan = CentrePlan { reach_m: reach_m.unwrap_or(plan.reach_m), search_m: 0.0, ..plan };
    let centred = match host.call(ctx, Request::Recentre(plan))? {
        Answer::Centred(centred) => centred,
        other => return Err(argument(ctx, format!("a place was expected, not {other:?}"))),
    };
    let body = serde_json::to_value(&centred).unwrap_or_default();
    let title = centred.title();
    host.record(ctx, Statement::Judgement { what: JudgementKind::Recentre, sweep: None, title, body })?;
    Ok(centred)
}
