//! What the logbook knew when the run began: spins, where they lie now, earlier spectra.

use crate::analysis::areas::{self, Area, Maps};
use crate::analysis::spots;
use crate::quantity::{Dimension, Quantity};
use crate::record::{JudgementKind, KnownSpectrum, KnownSpin, Memory};
use crate::script::convert::MapFields;
use crate::script::error::{Thrown, argument};
use crate::script::handles::{Image, Numbers};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Deed, Gives, Kind, Verb, in_chapter, of, param};
use crate::script::units::as_value;
use crate::supervisor::{Question, Request, Statement};
use rhai::{Array, Dynamic, Engine, Map, NativeCallContext};
use std::rc::Rc;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "known_spins",
        gives: Gives::Told("a list of maps with `id`, `names`, `moment`, `moment_error`, `proved`, `ago`"),
        summary: "The spins that the logbook knows, from all runs before this one. `proved` says whether a moment was proved; `ago` is the time since the tip was last centred on it.",
        example: "for spin in known_spins() { note(`${spin.id}: ${spin.moment} Bohr magnetons`); }",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "spins_here",
        params: &[param("image", Kind::Handle("image"), "an image of now")],
        gives: Gives::Told("a list of maps as `known_spins` gives them, with `x` and `y`"),
        summary: "Lays an image over the maps of the logbook, and says which known spins lie where now. Empty where it is not certain which area this is: a wrong spin is worse than none. Four spots at least must agree, by one shift that no other comes near.",
        example: "for spin in spins_here(image(#{ size: 20.nm, pixels: 48, line_time: 400.ms })) { note(`${spin.id} at ${spin.x}`); }",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "same_place",
        params: &[
            param("before", Kind::Handle("image"), "an image of before"),
            param("now", Kind::Handle("image"), "an image of now"),
            param("place", Kind::Fields("x y |"), "a place in the image of before"),
        ],
        gives: Gives::Told("a map with `found`, `x`, `y`, `agreeing`"),
        summary: "Where a place is now: one image is laid over the other by what stands out in both. `found` is false where fewer than four spots agree or another shift does nearly as well; then `x` and `y` are as they were. The second image may be larger; take both with the tip equally fast, so a large one with longer lines, for what is passed quickly looks lower. For the way back after a refill, after the pot was condensed anew, or after coarse steps.",
        example: "let before = image(#{ size: 20.nm, pixels: 48, line_time: 400.ms });\nlet place = same_place(before, image(#{ size: 20.nm, pixels: 48, line_time: 400.ms }), #{ x: 3.2.nm, y: -1.85.nm });\nnote(`found: ${place.found}`);",
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "earlier_spectra",
        params: &[param(
            "of",
            Kind::Fields("| spin name channel from to"),
            "which: of a spin, of that name, along a channel, over at least these frequencies",
        )],
        gives: Gives::Told(
            "a list of maps with `run`, `sweep`, `name`, `channel`, `from`, `to`, `points`, `ago`, `tip`, `spin`, `field`, `verdict`, `x`, `values`",
        ),
        summary: "Sweeps along one axis of earlier runs, the latest first. `x` and `values`, a map of readings by channel, have the points of the latest forty; of older ones they are empty. A background of the afternoon is a reference for the night this way.",
        example: "let backgrounds = earlier_spectra(#{ name: \"background\", channel: \"RfFrequency\" });\nif backgrounds.len() > 0 { note(`the last one is ${backgrounds[0].ago} old`); }",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Tip)
    },
];

/// Whether a sequence may ask for any of it: what it can't ask for need not stand in its record.
pub fn asks(text: &str) -> bool {
    ["known_spins", "spins_here", "earlier_spectra", "import "].iter().any(|word| text.contains(word))
}

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("known_spins", move |ctx: NativeCallContext| -> Result<Array, Thrown> {
        let now_s = h.number(&ctx, Request::Ask(Question::Elapsed))?;
        let spins: Vec<&KnownSpin> = h.memory.spins.iter().collect();
        told(&h, &ctx, "known spins", &spins.iter().map(|spin| spin.id.as_str()).collect::<Vec<_>>())?;
        Ok(spins.into_iter().map(|spin| Dynamic::from_map(map_of_spin(spin, now_s))).collect())
    });
    let h = Rc::clone(host);
    engine
        .register_fn("spins_here", move |ctx: NativeCallContext, image: Image| spins_here(&h, &ctx, &image));
    engine.register_fn(
        "same_place",
        |ctx: NativeCallContext, before: Image, now: Image, place: Map| -> Result<Map, Thrown> {
            let at_m = super::tip_life::place(&ctx, place)?;
            Ok(same_place(&before, &now, at_m))
        },
    );
    let h = Rc::clone(host);
    engine.register_fn("earlier_spectra", move |ctx: NativeCallContext, of: Map| earlier(&h, &ctx, of));
}

/// What was answered stands in the record where it was asked.
fn told(host: &Host, ctx: &NativeCallContext<'_>, what: &str, ids: &[&str]) -> Result<(), Thrown> {
    let list = if ids.is_empty() { "none".to_owned() } else { ids.join(", ") };
    let title = format!("asked the logbook for {what}: {list}");
    let body = serde_json::json!({ "asked": what, "answer": ids });
    host.record(ctx, Statement::Judgement { what: JudgementKind::Logbook, sweep: None, title, body })
}

fn time(si: f64) -> Dynamic {
    Dynamic::from(Quantity::new(si, Dimension::TIME))
}

fn map_of_spin(spin: &KnownSpin, now_s: f64) -> Map {
    let [moment, error] = spin.moment.unwrap_or([0.0; 2]);
    Map::from([
        ("id".into(), spin.id.clone().into()),
        ("names".into(), spin.names.clone().into()),
        ("proved".into(), spin.moment.is_some().into()),
        ("moment".into(), moment.into()),
        ("moment_error".into(), error.into()),
        ("ago".into(), time(now_s - spin.last_s)),
    ])
}

/// The spots of an image in the frame of the scanner.
pub(super) fn spots_of(image: &Image) -> Vec<[f64; 3]> {
    let (x_m, y_m) = image.centre_m;
    spots::places(&image.heights_m, image.pixels as usize, [x_m, y_m], image.size_m)
}

fn maps_of(memory: &Memory) -> Maps {
    let areas = memory.areas.iter().map(|spots| Area { spots: spots.clone() }).collect();
    Maps { areas, standing: None }
}

fn spins_here(host: &Host, ctx: &NativeCallContext<'_>, image: &Image) -> Result<Array, Thrown> {
    let now_s = host.number(ctx, Request::Ask(Question::Elapsed))?;
    let standing = maps_of(&host.memory).find(&spots_of(image));
    let of_area = |spin: &&KnownSpin| standing.is_some_and(|standing| standing.area == spin.area);
    let here: Vec<&KnownSpin> = host.memory.spins.iter().filter(of_area).collect();
    told(host, ctx, "the spins here", &here.iter().map(|spin| spin.id.as_str()).collect::<Vec<_>>())?;
    let shift_m = standing.map_or([0.0; 2], |standing| standing.shift_m);
    let placed = |spin: &KnownSpin| {
        let mut map = map_of_spin(spin, now_s);
        map.extend(super::tip_life::map_of_place([spin.at_m[0] - shift_m[0], spin.at_m[1] - shift_m[1]]));
        Dynamic::from_map(map)
    };
    Ok(here.into_iter().map(placed).collect())
}

/// Where a place of one image is by another, with how many spots agree; nothing where that is not certain.
pub(super) fn place_now(before: &Image, now: &Image, at_m: [f64; 2]) -> Option<([f64; 2], usize)> {
    let (first, second) = (spots_of(before), spots_of(now));
    let maps = Maps { areas: vec![Area { spots: first.clone() }], standing: None };
    let [x_m, y_m] = maps.find(&second)?.shift_m;
    Some(([at_m[0] - x_m, at_m[1] - y_m], areas::agreeing(&first, &second, [x_m, y_m]).0))
}

fn same_place(before: &Image, now: &Image, at_m: [f64; 2]) -> Map {
    let found = place_now(before, now, at_m);
    let (place_m, agreeing) = found.unwrap_or((at_m, 0));
    let mut map = super::tip_life::map_of_place(place_m);
    map.insert("found".into(), found.is_some().into());
    map.insert("agreeing".into(), (agreeing as i64).into());
    map
}

/// What a sequence asks earlier spectra for.
struct Wanted {
    spin: Option<String>,
    name: Option<String>,
    channel: Option<String>,
    ends: [Option<f64>; 2],
}

impl Wanted {
    fn read(host: &Host, ctx: &NativeCallContext<'_>, of: Map) -> Result<Self, Thrown> {
        let mut fields = MapFields::new(ctx, "earlier_spectra", of);
        let channel = fields.text("channel")?.map(|name| host.channel(ctx, &name)).transpose()?;
        let channel = channel.map(|id| host.channel_at(id));
        let dimension = channel.map_or(Dimension::FREQUENCY, |channel| channel.dimension());
        let (spin, name) = (fields.text("spin")?, fields.text("name")?);
        let ends = [fields.quantity("from", dimension)?, fields.quantity("to", dimension)?];
        fields.finish()?;
        if ends.iter().any(Option::is_some) && channel.is_none() {
            return Err(argument(ctx, "`from` and `to` need the `channel` that they are of"));
        }
        Ok(Self { spin, name, channel: channel.map(|channel| channel.name.clone()), ends })
    }

    fn fits(&self, spectrum: &KnownSpectrum) -> bool {
        let is =
            |wanted: &Option<String>, found: Option<&str>| wanted.as_deref().is_none_or(|w| Some(w) == found);
        let (low, high) = (spectrum.ends[0].min(spectrum.ends[1]), spectrum.ends[0].max(spectrum.ends[1]));
        // A millionth of the window is the rounding of its ends.
        let slack = 1e-6 * (high - low);
        is(&self.spin, spectrum.spin.as_deref())
            && is(&self.name, Some(&spectrum.name))
            && is(&self.channel, Some(&spectrum.channel))
            && self.ends[0].is_none_or(|from| low <= from + slack)
            && self.ends[1].is_none_or(|to| high >= to - slack)
    }
}

fn earlier(host: &Host, ctx: &NativeCallContext<'_>, of: Map) -> Result<Array, Thrown> {
    let wanted = Wanted::read(host, ctx, of)?;
    let now_s = host.number(ctx, Request::Ask(Question::Elapsed))?;
    let found: Vec<&KnownSpectrum> = host.memory.spectra.iter().filter(|s| wanted.fits(s)).collect();
    let ids: Vec<String> = found.iter().map(|s| format!("{} of {}", s.sweep, s.run)).collect();
    told(host, ctx, "earlier spectra", &ids.iter().map(String::as_str).collect::<Vec<_>>())?;
    Ok(found.into_iter().map(|spectrum| Dynamic::from_map(map_of_spectrum(host, spectrum, now_s))).collect())
}

fn map_of_spectrum(host: &Host, spectrum: &KnownSpectrum, now_s: f64) -> Map {
    // A channel that this bench has not has numbers without a unit.
    let dimension =
        |name: &str| host.bench.find(name).map_or(Dimension::NONE, |id| host.bench.channel(id).dimension());
    let numbers = |name: &str, values: &[f64]| Dynamic::from(Numbers::new(values.to_vec(), dimension(name)));
    let axis = |si: f64| as_value(Quantity::new(si, dimension(&spectrum.channel)));
    let columns = spectrum.columns.iter().map(|(name, values)| (name.as_str().into(), numbers(name, values)));
    Map::from([
        ("run".into(), spectrum.run.clone().into()),
        ("sweep".into(), (spectrum.sweep as i64).into()),
        ("name".into(), spectrum.name.clone().into()),
        ("channel".into(), spectrum.channel.clone().into()),
        ("from".into(), axis(spectrum.ends[0])),
        ("to".into(), axis(spectrum.ends[1])),
        ("points".into(), (spectrum.points as i64).into()),
        ("ago".into(), time(now_s - spectrum.at_s)),
        ("tip".into(), (spectrum.tip as i64).into()),
        ("spin".into(), spectrum.spin.clone().unwrap_or_default().into()),
        ("field".into(), as_value(Quantity::new(spectrum.field_t.unwrap_or(0.0), Dimension::FIELD))),
        ("verdict".into(), spectrum.verdict.clone().into()),
        ("x".into(), numbers(&spectrum.channel, &spectrum.x)),
        ("values".into(), Dynamic::from_map(columns.collect())),
    ])
}
