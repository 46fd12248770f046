//! Pot and bath: how long the cold lasts, and condensing anew with the way back onto the spot.

use super::remembering::{place_now, spots_of};
use super::tip_life::{Junction, NEAR_M, map_of_place};
use crate::bench::{Pot, Role, TaskKind};
use crate::instrument::Task;
use crate::quantity::{Dimension, Quantity, in_words};
use crate::script::error::{Said, Thrown, argument, thrown};
use crate::script::handles::Image;
use crate::script::host::Host;
use crate::script::registry::{Chapter, Deed, Gives, Nature, Time, Verb, acts, in_chapter, of};
use crate::script::units::as_value;
use crate::supervisor::{Answer, HeliumOutlook, Question, Request, Statement};
use rhai::{Engine, Map, NativeCallContext};
use std::rc::Rc;

/// Half width of a 95 % band in standard deviations.
const BAND: f64 = 1.959_963_984_540_054;
/// Between two looks at the stage, s.
const LOOK_S: f64 = 60.0;
/// The images by which the way back is found: side, m, and pixels. The smaller ones are sooner taken; the largest shows enough
/// also at the edge of what lies there.
const FRAMES: [(f64, u32); 3] = [(20e-9, 64), (30e-9, 96), (48e-9, 154)];
/// With so many places an image is certainly known again; with fewer a larger one is taken as well.
const ENOUGH: usize = 7;
/// How often the surface is looked at, and how long it is left to come to rest between, s.
const LOOKS: usize = 4;
const REST_S: f64 = 600.0;
/// Speed of the tip along their lines, m/s: the same in all, for what is passed more quickly looks lower, and farther along.
const LINE_SPEED_M_S: f64 = 50e-9;
/// A bath of which nothing is foretold lasts at least this long for a forecast, s: a year.
const VERY_LONG_S: f64 = 365.0 * 86_400.0;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "cold_left",
        gives: Gives::Told("a map with `time`, `by`, `pot`, `pot_known`, `helium`"),
        summary: "How long the cold lasts, by pot and bath together: `time` is the earlier of both ends, each at the lower edge of its 95 % band, and `by` says which, \"pot\" or \"helium\". The pot goes by `pot` of the bench file and by when it was last condensed, in this run or by the logbook; where the bench or nobody says that, `pot_known` is false and the bath alone counts. The bath goes by the forecast of its level down to the refill limit.",
        example: "let cold = cold_left();\nif cold.time < 2.h { note(`the ${cold.by} ends in ${cold.time}`); }",
        nature: Nature { roles: &[Role::HeliumLevel], ..of(Deed::Answers) },
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "recondense",
        gives: Gives::Told("a map with `achieved`, `remark`, `found`, `x`, `y`"),
        summary: "Condenses the pot anew: RF, modulation and the heater of the stage off, an image, tip out, the task, a wait until the stage is cold, tip in, another image; then back onto the spot on which the tip stood, which is found by laying one image over the other, and all three as they were. With too little helium in the bath nothing is begun. A spot that is not found again is an error.",
        example: "let cold = recondense();\nnote(`condensed anew: ${cold.achieved} ${cold.remark}`);",
        nature: acts(
            Time::Open,
            &[Role::TipX, Role::TipY, Role::StageTemperature, Role::HeliumLevel],
            &[
                TaskKind::Withdraw,
                TaskKind::Regenerate,
                TaskKind::Approach,
                TaskKind::Image,
                TaskKind::MoveTip,
            ],
        ),
        ..in_chapter(Chapter::Tip)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("cold_left", move |ctx: NativeCallContext| cold_left(&h, &ctx));
    let h = Rc::clone(host);
    engine.register_fn("recondense", move |ctx: NativeCallContext| recondense(&h, &ctx));
}

fn value(si: f64, dimension: Dimension) -> rhai::Dynamic {
    as_value(Quantity::new(si, dimension))
}

fn pot_of(host: &Host, ctx: &NativeCallContext<'_>) -> Result<Pot, Thrown> {
    host.bench.pot.ok_or_else(|| {
        let said = Said::with("the bench does not say how long its pot lasts", "add `pot` to its file");
        thrown(ctx, "argument", "unknown", said)
    })
}

fn helium(host: &Host, ctx: &NativeCallContext<'_>) -> Result<HeliumOutlook, Thrown> {
    match host.call(ctx, Request::Ask(Question::HeliumOutlook))? {
        Answer::HeliumOutlook(outlook) => Ok(outlook),
        other => Err(argument(ctx, format!("a forecast was expected, not {other:?}"))),
    }
}

/// When the bath comes to its refill mark at the earliest, s from now: by bisection on the lower edge of the band, which
/// falls.
fn helium_lasts_s(outlook: &HeliumOutlook) -> f64 {
    let edge = |seconds: f64| outlook.after(seconds).1;
    let (mut low, mut high) = (0.0, VERY_LONG_S);
    if edge(0.0) <= 0.0 || edge(high) > 0.0 {
        return if edge(0.0) <= 0.0 { 0.0 } else { high };
    }
    while high - low > 1.0 {
        let middle = 0.5 * (low + high);
        if edge(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

fn cold_left(host: &Host, ctx: &NativeCallContext<'_>) -> Result<Map, Thrown> {
    let bath_s = helium_lasts_s(&helium(host, ctx)?);
    let since_s = host.number(ctx, Request::Ask(Question::SinceCondensed))?;
    let pot = host.bench.pot.filter(|_| since_s < VERY_LONG_S);
    let known = pot.is_some();
    let pot_s = pot.map_or(VERY_LONG_S, |pot| (pot.lasts_s - BAND * pot.spread_s - since_s).max(0.0));
    let by = if known && pot_s < bath_s { "pot" } else { "helium" };
    Ok(Map::from([
        ("time".into(), value(pot_s.min(bath_s), Dimension::TIME)),
        ("by".into(), by.into()),
        ("pot".into(), value(pot_s, Dimension::TIME)),
        ("pot_known".into(), known.into()),
        ("helium".into(), value(bath_s, Dimension::TIME)),
    ]))
}

/// What lies round a place: as many images, the largest last, as it takes to know it again.
fn surroundings(host: &Host, ctx: &NativeCallContext<'_>, centre_m: [f64; 2]) -> Result<Vec<Image>, Thrown> {
    let mut images = Vec::new();
    for frame in FRAMES {
        images.push(picture(host, ctx, centre_m, frame)?);
        if images.last().is_some_and(|image| spots_of(image).len() >= ENOUGH) {
            break;
        }
    }
    Ok(images)
}

fn picture(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    centre_m: [f64; 2],
    (size_m, pixels): (f64, u32),
) -> Result<Image, Thrown> {
    let [x_m, y_m] = centre_m;
    let line_s = size_m / LINE_SPEED_M_S;
    match host.call(ctx, Request::Task(Task::Image { x_m, y_m, size_m, pixels, line_s }))? {
        Answer::Task(report) if report.data.len() == (pixels * pixels) as usize => {
            Ok(Image { heights_m: report.data.into(), pixels, centre_m: (x_m, y_m), size_m })
        }
        Answer::Task(report) => {
            Err(thrown(ctx, "instrument", "garbled", format!("the image failed: {}", report.remark)))
        }
        other => Err(argument(ctx, format!("an image was expected, not {other:?}"))),
    }
}

/// Waits until the stage is cold.
fn until_cold(host: &Host, ctx: &NativeCallContext<'_>, pot: &Pot) -> Result<(), Thrown> {
    let junction = Junction { host, ctx };
    let mut waited_s = 0.0;
    while junction.read(&[Role::StageTemperature])?[0] > pot.cold_below_k {
        if waited_s >= pot.cold_within_s {
            let message =
                format!("the stage is not cold again {} after the pot was condensed", in_words(waited_s));
            return Err(thrown(ctx, "instrument", "timed_out", &message));
        }
        host.call(ctx, Request::Wait { seconds: LOOK_S })?;
        waited_s += LOOK_S;
    }
    Ok(())
}

fn recondense(host: &Host, ctx: &NativeCallContext<'_>) -> Result<Map, Thrown> {
    let pot = pot_of(host, ctx)?;
    let junction = Junction { host, ctx };
    let has = |role: &Role| host.bench.by_role(*role).is_some();
    let left_m3 = helium(host, ctx)?.left_m3;
    let stands = junction.read(&[Role::TipX, Role::TipY, Role::Approached])?;
    let (here_m, in_range) = ([stands[0], stands[1]], stands[2] > 0.5);
    let mut map = map_of_place(here_m);
    map.insert("found".into(), in_range.into());
    if left_m3 < pot.helium_m3 {
        let [has, needs] = [left_m3, pot.helium_m3].map(|si| Quantity::new(si, Dimension::VOLUME));
        map.insert("achieved".into(), false.into());
        map.insert("remark".into(), format!("it takes {needs} of helium, and {has} are left").into());
        return Ok(map);
    }
    let warms = [Role::StageHeater, Role::RfOutput, Role::LockinModulation];
    let off: Vec<Role> = warms.into_iter().filter(has).collect();
    let were = junction.read(&off)?;
    for (role, _) in off.iter().zip(&were).filter(|(_, were)| **were != 0.0) {
        junction.set(*role, 0.0)?;
    }
    let spot = if in_range { Some(super::tip::centre(host, ctx, None)?) } else { None };
    let before = if in_range { Some(surroundings(host, ctx, here_m)?) } else { None };
    super::tip::must(host, ctx, Task::Withdraw)?;
    let done = super::tip::attempt(host, ctx, Task::Regenerate)?;
    until_cold(host, ctx, &pot)?;
    if let (Some(before), Some(spot)) = (before, spot) {
        super::tip::must(host, ctx, Task::Approach)?;
        let at_m = if spot.found { [spot.x_m, spot.y_m] } else { here_m };
        let back = back_on(host, ctx, &before, at_m, spot.found)?;
        map.extend(map_of_place(back));
        for (role, were) in off.iter().zip(were).filter(|(_, were)| *were != 0.0) {
            junction.set(*role, were)?;
        }
    }
    map.extend(done);
    Ok(map)
}

/// Back onto a spot by two images; onto its top, where it had one.
fn back_on(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    before: &[Image],
    at_m: [f64; 2],
    on_top: bool,
) -> Result<[f64; 2], Thrown> {
    let lost = |why: &str| {
        let message = format!(
            "the spot was not found again after the pot was condensed: {why}; what comes next would be measured elsewhere"
        );
        thrown(ctx, "instrument", "absent", &message)
    };
    let mut found = None;
    'looks: for look in 0..LOOKS {
        // While the stage comes to rest the surface moves within an image.
        if look > 0 {
            host.call(ctx, Request::Wait { seconds: REST_S })?;
        }
        // A larger one of now has in it what a smaller one of before has, wherever that has moved.
        for frame in FRAMES.into_iter().skip(before.len() - 1) {
            let now = picture(host, ctx, at_m, frame)?;
            found = before.iter().rev().find_map(|before| place_now(before, &now, at_m));
            if found.is_some() {
                break 'looks;
            }
        }
    }
    let Some((place_m, agreeing)) = found else {
        return Err(lost("the images do not fit onto each other by one shift alone"));
    };
    super::tip::go_to(host, ctx, place_m[0], place_m[1])?;
    if !on_top {
        return Ok(place_m);
    }
    super::tip::centre(host, ctx, None)?;
    let centred = super::tip::centre(host, ctx, None)?;
    let found_m = [centred.x_m, centred.y_m];
    if !centred.found || (found_m[0] - place_m[0]).hypot(found_m[1] - place_m[1]) > NEAR_M {
        return Err(lost("there is no top where the images show it"));
    }
    let text = format!("back on the spot by {agreeing} places that both images show");
    host.record(ctx, Statement::Note { text, for_next_shift: false })?;
    Ok(found_m)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bath_lasts_until_the_lower_edge_of_its_band_meets_the_mark() {
        let falling = HeliumOutlook {
            left_m3: 10e-3,
            rate_m3_per_s: -0.2e-3 / 3600.0,
            rate_error_m3_per_s: 0.0,
            quantile: 2.0,
            readings: 100,
            ..HeliumOutlook::default()
        };
        assert!((helium_lasts_s(&falling) - 50.0 * 3600.0).abs() < 2.0, "10 L at 0.2 L/h");
        let unsure = HeliumOutlook { rate_error_m3_per_s: 0.02e-3 / 3600.0, ..falling };
        assert!((helium_lasts_s(&unsure) / 3600.0 - 10.0 / 0.24).abs() < 0.01);
        assert_eq!(helium_lasts_s(&HeliumOutlook { left_m3: -1e-3, ..falling }), 0.0);
        let nothing_known = HeliumOutlook { left_m3: 1e-3, ..HeliumOutlook::default() };
        assert!(helium_lasts_s(&nothing_known) > 1e7);
    }
}
