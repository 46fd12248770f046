//! What is known of the tip, spins that are kept, and what a sequence has achieved.

use crate::analysis::contrast::{ContrastVerdict, contrast_of_trace};
use crate::bench::{Role, TaskKind, TipTests};
use crate::history::{Difference, differs};
use crate::instrument::{Task, TaskReport};
use crate::quantity::{Dimension, Quantity};
use crate::record::{
    Achieved, Earlier, Ending, JudgementKind, Outcome, TipFinding, TipLife, TipTest, TipVerdict,
};
use crate::script::convert::quantity;
use crate::script::error::{Said, Thrown, argument, ended, thrown, unfit};
use crate::script::host::{Host, place_of};
use crate::script::registry::{Chapter, Deed, Gives, Kind, Time, Verb, acts, in_chapter, of, param};
use crate::supervisor::{Answer, Question, Request, Statement};
use rhai::{Array, Dynamic, Engine, Map, NativeCallContext};
use std::rc::Rc;

/// Wait after the bias and the setpoint have changed, s.
const AT_REST_S: f64 = 1.0;

/// Wait after the RF was switched off and the tip has moved, s: some times the time constant of a stage (common practice: a
/// minute or two).
const AT_PEACE_S: f64 = 180.0;

/// A top so near to where an atom was lately is that atom, m: others are not as near (atoms are seen apart from 0.8 nm on,
/// and half an hour of drift is less).
pub(super) const NEAR_M: f64 = 0.6e-9;

/// What a test of the tip sets and reads.
const TESTED_WITH: [Role; 7] =
    [Role::Bias, Role::Setpoint, Role::Feedback, Role::Current, Role::TipX, Role::TipY, Role::FieldZ];

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "test_tip",
        gives: Gives::Told("a map with `verdict`, `polarisation`, `error`, `good`, `proved`"),
        summary: "Tests the tip over the atom on which it was centred last: bias and setpoint as `tip_tests` of the bench says, height loop open, levels of the current; then all is as before. `verdict` is `contrast`, `none` or `undecided`. Good contrast on two atoms, the last test long enough after the first, makes the tip proved, and a proved tip is guarded.",
        example: "recentre();\nlet seen = test_tip();\nnote(`${seen.verdict}, polarisation ${seen.polarisation}`);",
        nature: acts(Time::Open, &TESTED_WITH, &[TaskKind::Trace]),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "watch_tip",
        params: &[
            param("reference", Kind::Fields("x y |"), "the atom over which the tip is tested"),
            param("here", Kind::Fields("x y |"), "where the tip goes afterwards"),
            param("every", Kind::Time, "a test is made where the last one is older than this"),
        ],
        gives: Gives::Told("a map with `tested`, `changed`, `why`, `verdict`, `reference`, `here`"),
        summary: "A look at the tip between two spectra. Where the last test is young enough, nothing. Else RF and modulation off, over to the reference atom, `test_tip`, and back onto the spot, with RF and modulation as they were. A test that does not agree with the one before is made twice; `changed` says that the tip is another one, and people are told. Where the reference is not found again there is no test, and `why` says so: take another one. Where the spot itself is not found again that is an error. `reference` and `here` are the places as they were found, for the next time.",
        example: "let tip = watch_tip(#{ x: -4.6.nm, y: 5.3.nm }, #{ x: 3.2.nm, y: -1.85.nm }, 20.min);\nnote(`changed: ${tip.changed}`);",
        nature: acts(Time::Open, &TESTED_WITH, &[TaskKind::Trace, TaskKind::MoveTip]),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "tip_changed",
        params: &[param("why", Kind::Text, "what shows it")],
        gives: Gives::Nothing,
        summary: "Says that something else than a test shows another tip, as a line that has left its law: people are told, and the next test is compared with none before it. It frees nothing: a tip that is guarded stays guarded.",
        example: "tip_changed(\"two spectra in a row show the line elsewhere\");",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "tip_now",
        gives: Gives::Told("a map with `atoms`, `touches`, `tests`, `proved`, `lost`, `kept`, `guarded`"),
        summary: "What is known of the tip that is in, from this run and from the logbook. `guarded` says why it must not be touched; it is empty where it may be.",
        example: "if tip_now().guarded != \"\" { note(\"this tip is precious\"); }",
        nature: of(Deed::Answers),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "keep_spin",
        params: &[
            param("name", Kind::Text, "its name"),
            param("x", Kind::Length, "place along x"),
            param("y", Kind::Length, "place along y"),
        ],
        gives: Gives::Nothing,
        summary: "From now on nothing is lifted, put down or pulsed near this spin, whatever a sequence asks for. `guard` of the bench says how near; what may have drifted since the tip was last centred on it is added.",
        example: "keep_spin(\"the target\", 3.2.nm, -1.9.nm);",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "result",
        params: &[
            param("what", Kind::OneOf(Achieved::WORDS), "what was achieved"),
            param("about", Kind::Text, "more on it; why, where it is `nothing`"),
        ],
        gives: Gives::Nothing,
        summary: "Declares what the sequence has achieved; the last one counts. The brief and the list of runs show it, a queue goes by it, and after `nothing`, which needs a reason, the exit code is 6.",
        example: "result(\"nothing\", \"no atom in reach\");",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "earlier_result",
        gives: Gives::Told("a map with `sequence`, `what`, `about`"),
        summary: "What the sequence before this one in the queue has declared. All three are empty where there was none; `what` is empty where it declared nothing at all.",
        example: "note(`before: ${earlier_result().what}`);",
        nature: of(Deed::Answers),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "needs_result",
        params: &[param("what", Kind::OneOf(Achieved::WORDS), "what must have been achieved")],
        gives: Gives::Nothing,
        summary: "In a queue, ends the sequence here unless the one before declared this result; its own result is then `nothing`, with the reason. Without a sequence before it, somebody started it on purpose, and it goes on.",
        example: "needs_result(\"made\");",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Flow)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("test_tip", move |ctx: NativeCallContext| test_tip(&h, &ctx));
    let h = Rc::clone(host);
    engine.register_fn(
        "watch_tip",
        move |ctx: NativeCallContext, reference: Map, here: Map, every: Dynamic| -> Result<Map, Thrown> {
            let every_s = quantity(&ctx, &every, Dimension::TIME, "every")?;
            let (reference_m, here_m) = (place(&ctx, reference)?, place(&ctx, here)?);
            watch_tip(&h, &ctx, reference_m, here_m, every_s)
        },
    );
    let h = Rc::clone(host);
    engine.register_fn("tip_changed", move |ctx: NativeCallContext, why: &str| {
        tell_change(&h, &ctx, why, false)
    });
    let h = Rc::clone(host);
    engine.register_fn("tip_now", move |ctx: NativeCallContext| {
        let (life, guarded) = tip_now(&h, &ctx)?;
        Ok::<_, Thrown>(told(&life, guarded))
    });
    let h = Rc::clone(host);
    engine.register_fn(
        "keep_spin",
        move |ctx: NativeCallContext, name: &str, x: Dynamic, y: Dynamic| -> Result<(), Thrown> {
            let at_m =
                [quantity(&ctx, &x, Dimension::LENGTH, "x")?, quantity(&ctx, &y, Dimension::LENGTH, "y")?];
            h.record(&ctx, Statement::Keep { name: name.to_owned(), at_m })
        },
    );
    let h = Rc::clone(host);
    engine.register_fn("result", move |ctx: NativeCallContext, what: &str, about: Dynamic| {
        result(&h, &ctx, what, &about.to_string())
    });
    let h = Rc::clone(host);
    engine.register_fn("earlier_result", move |ctx: NativeCallContext| -> Result<Map, Thrown> {
        let earlier = earlier(&h, &ctx)?;
        let declared = earlier.as_ref().and_then(|earlier| earlier.declared.as_ref());
        let mut map = Map::new();
        let sequence = earlier.as_ref().map(|earlier| earlier.sequence.clone()).unwrap_or_default();
        map.insert("sequence".into(), sequence.into());
        map.insert("what".into(), declared.map_or("", |declared| declared.what.word()).into());
        map.insert("about".into(), declared.map(|d| d.about.clone()).unwrap_or_default().into());
        Ok(map)
    });
    let h = Rc::clone(host);
    engine
        .register_fn("needs_result", move |ctx: NativeCallContext, what: &str| needs_result(&h, &ctx, what));
}

fn achieved(ctx: &NativeCallContext<'_>, what: &str) -> Result<Achieved, Thrown> {
    let words = Achieved::WORDS.join(", ");
    Achieved::of(what).ok_or_else(|| {
        argument(ctx, Said::with(format!("`{what}` is no result"), format!("there are {words}")))
    })
}

fn result(host: &Host, ctx: &NativeCallContext<'_>, what: &str, about: &str) -> Result<(), Thrown> {
    let what = achieved(ctx, what)?;
    if what == Achieved::Nothing && about.trim().is_empty() {
        return Err(argument(ctx, "the result `nothing` needs a reason: result(\"nothing\", \"why\")"));
    }
    host.record(ctx, Statement::Result { what, about: about.to_owned() })
}

fn earlier(host: &Host, ctx: &NativeCallContext<'_>) -> Result<Option<Earlier>, Thrown> {
    match host.call(ctx, Request::Ask(Question::Earlier))? {
        Answer::Earlier(earlier) => Ok(earlier),
        other => Err(argument(ctx, format!("an earlier result was expected, not {other:?}"))),
    }
}

fn needs_result(host: &Host, ctx: &NativeCallContext<'_>, what: &str) -> Result<(), Thrown> {
    let wanted = achieved(ctx, what)?;
    let Some(earlier) = earlier(host, ctx)? else { return Ok(()) };
    if earlier.declared.as_ref().is_some_and(|declared| declared.what == wanted) {
        return Ok(());
    }
    let declared = earlier.declared.map_or("no result".to_owned(), |declared| declared.in_words());
    let reason = format!("`{}` before it was to end with `{what}` and declared {declared}", earlier.sequence);
    result(host, ctx, Achieved::Nothing.word(), &reason)?;
    let ending = Ending { outcome: Outcome::Finished, reason, place: place_of(ctx), latched: false };
    Err(ended(ending, ctx.call_position()))
}

fn tip_now(host: &Host, ctx: &NativeCallContext<'_>) -> Result<(TipLife, Option<String>), Thrown> {
    match host.call(ctx, Request::Ask(Question::Tip))? {
        Answer::Tip { life, guarded } => Ok((*life, guarded)),
        other => Err(argument(ctx, format!("the tip was expected, not {other:?}"))),
    }
}

fn told(life: &TipLife, guarded: Option<String>) -> Map {
    let mut map = Map::new();
    map.insert("atoms".into(), life.atoms.into());
    map.insert("touches".into(), i64::from(life.touches).into());
    map.insert("tests".into(), (life.tests.len() as i64).into());
    map.insert("proved".into(), life.proved_s.is_some().into());
    map.insert("lost".into(), (life.lost.len() as i64).into());
    map.insert("guarded".into(), guarded.unwrap_or_default().into());
    let spin = |spin: &crate::record::KeptSpin| {
        let mut map = map_of_place(spin.at_m);
        map.insert("name".into(), spin.name.clone().into());
        Dynamic::from_map(map)
    };
    map.insert("kept".into(), life.kept.iter().map(spin).collect::<Array>().into());
    map
}

/// The settings of the junction while something else is done with it.
pub(super) struct Junction<'h, 'c, 'n> {
    pub(super) host: &'h Host,
    pub(super) ctx: &'c NativeCallContext<'n>,
}

impl Junction<'_, '_, '_> {
    pub(super) fn read(&self, roles: &[Role]) -> Result<Vec<f64>, Thrown> {
        let channels = roles.iter().map(|role| self.host.channel(self.ctx, role.name()));
        let channels = channels.collect::<Result<Vec<_>, Thrown>>()?;
        match self.host.call(self.ctx, Request::Read { channels, samples: 1, spacing_s: 0.0 })? {
            Answer::Numbers(values) => Ok(values),
            other => Err(argument(self.ctx, format!("numbers were expected, not {other:?}"))),
        }
    }

    pub(super) fn set(&self, role: Role, value: f64) -> Result<(), Thrown> {
        let channel = self.host.channel(self.ctx, role.name())?;
        self.host.call(self.ctx, Request::Set { channel, value }).map(|_| ())
    }

    fn trace(&self, tests: &TipTests) -> Result<TaskReport, Thrown> {
        let channel = self.host.channel(self.ctx, Role::Current.name())?;
        let task = Task::Trace { channel, samples: tests.samples, interval_s: tests.interval_s };
        match self.host.call(self.ctx, Request::Task(task))? {
            Answer::Task(report) if report.achieved => Ok(report),
            Answer::Task(report) => {
                Err(thrown(self.ctx, "instrument", "refused", format!("the trace failed: {}", report.remark)))
            }
            other => Err(argument(self.ctx, format!("a report was expected, not {other:?}"))),
        }
    }
}

pub(super) fn map_of_place(at_m: [f64; 2]) -> Map {
    let length = |si| Dynamic::from(Quantity::new(si, Dimension::LENGTH));
    Map::from([("x".into(), length(at_m[0])), ("y".into(), length(at_m[1]))])
}

/// The place in the fields `x` and `y` of a map, which may have others.
pub(super) fn place(ctx: &NativeCallContext<'_>, map: Map) -> Result<[f64; 2], Thrown> {
    let of = |name: &str| {
        let value = map.get(name).ok_or_else(|| {
            argument(ctx, Said::with("a place has the fields `x` and `y`", format!("there is no `{name}`")))
        })?;
        quantity(ctx, value, Dimension::LENGTH, name)
    };
    Ok([of("x")?, of("y")?])
}

/// A watch: where it stands, and what it has found.
struct Seen {
    tested: bool,
    changed: bool,
    why: String,
    verdict: &'static str,
    reference_m: [f64; 2],
    here_m: [f64; 2],
}

fn watch_tip(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    reference_m: [f64; 2],
    here_m: [f64; 2],
    every_s: f64,
) -> Result<Map, Thrown> {
    let now_s = host.number(ctx, Request::Ask(Question::Elapsed))?;
    let (before, _) = tip_now(host, ctx)?;
    let mut seen =
        Seen { tested: false, changed: false, why: String::new(), verdict: "", reference_m, here_m };
    if before.recent.last().is_none_or(|last| now_s - last.at_s >= every_s) {
        look_at_tip(host, ctx, &before.recent, &mut seen)?;
    }
    let mut map = Map::new();
    map.insert("tested".into(), seen.tested.into());
    map.insert("changed".into(), seen.changed.into());
    map.insert("why".into(), seen.why.into());
    map.insert("verdict".into(), seen.verdict.into());
    for (name, at_m) in [("reference", seen.reference_m), ("here", seen.here_m)] {
        map.insert(name.into(), Dynamic::from_map(map_of_place(at_m)));
    }
    Ok(map)
}

/// Over to the reference, a test, and back onto the spot.
fn look_at_tip(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    before: &[TipTest],
    seen: &mut Seen,
) -> Result<(), Thrown> {
    let junction = Junction { host, ctx };
    let has = |role: &Role| host.bench.by_role(*role).is_some();
    let off: Vec<Role> = [Role::RfOutput, Role::LockinModulation].into_iter().filter(has).collect();
    let were = junction.read(&off)?;
    for (role, _) in off.iter().zip(&were).filter(|(_, were)| **were != 0.0) {
        junction.set(*role, 0.0)?;
    }
    // Whoever has centred since the last look knows how far everything has drifted.
    let stands = junction.read(&[Role::TipX, Role::TipY])?;
    let drift = along(seen.here_m, [stands[0], stands[1]]);
    if drift[0].hypot(drift[1]) < NEAR_M {
        (seen.reference_m, seen.here_m) = (moved(seen.reference_m, drift), moved(seen.here_m, drift));
    }
    let expected = seen.reference_m;
    if let Some(found) = stand_on(host, ctx, expected)? {
        (seen.tested, seen.reference_m) = (true, found);
        // By then the heat of the RF is gone, and the creep that the move left.
        host.call(ctx, Request::Wait { seconds: AT_PEACE_S })?;
        let (at_m, why, verdict) = tested_against(host, ctx, found, before)?;
        (seen.reference_m, seen.changed, seen.verdict) = (at_m, why.is_some(), verdict);
        seen.why = why.unwrap_or_default();
        seen.here_m = moved(seen.here_m, along(expected, at_m));
    } else {
        seen.why = "the reference atom was not found again, so the tip was not tested".to_owned();
        host.record(ctx, Statement::Note { text: seen.why.clone(), for_next_shift: false })?;
    }
    let back = stand_on(host, ctx, seen.here_m)?;
    // The change is told first: it may be why nothing is found any more.
    if seen.changed {
        tell_change(host, ctx, &seen.why, true)?;
    }
    let Some(back) = back else {
        let message = "after the test of the tip the spot was not found again; what comes next would be measured elsewhere";
        return Err(thrown(ctx, "instrument", "absent", message));
    };
    seen.here_m = back;
    for (role, were) in off.iter().zip(were).filter(|(_, were)| *were != 0.0) {
        junction.set(*role, were)?;
    }
    Ok(())
}

/// The tip is another one: by a test of it, which is then the first of the new one, or by something else.
fn tell_change(host: &Host, ctx: &NativeCallContext<'_>, why: &str, by_test: bool) -> Result<(), Thrown> {
    let title = format!("the tip has changed: {why}");
    let body = serde_json::json!({ "why": why, "by_test": by_test });
    host.record(ctx, Statement::Judgement { what: JudgementKind::TipChange, sweep: None, title, body })
}

fn along(from_m: [f64; 2], to_m: [f64; 2]) -> [f64; 2] {
    [to_m[0] - from_m[0], to_m[1] - from_m[1]]
}

fn moved(at_m: [f64; 2], by_m: [f64; 2]) -> [f64; 2] {
    [at_m[0] + by_m[0], at_m[1] + by_m[1]]
}

/// Goes to a place and onto the top there; gives where that is. The second time makes up for the creep after the move. A
/// top farther away than a neighbour may lie is another's: then, or where there is none, it is nothing.
fn stand_on(host: &Host, ctx: &NativeCallContext<'_>, at_m: [f64; 2]) -> Result<Option<[f64; 2]>, Thrown> {
    for _ in 0..2 {
        super::tip::go_to(host, ctx, at_m[0], at_m[1])?;
        super::tip::centre(host, ctx, None)?;
        let centred = super::tip::centre(host, ctx, None)?;
        let found_m = [centred.x_m, centred.y_m];
        let off = along(at_m, found_m);
        if centred.found && off[0].hypot(off[1]) < NEAR_M {
            return Ok(Some(found_m));
        }
    }
    Ok(None)
}

/// A test over the reference, and what differs from those before. What differs is centred and tested a second time, and is
/// believed where both differ alike: a tip that stood beside the top shows less.
fn tested_against(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    mut reference_m: [f64; 2],
    before: &[TipTest],
) -> Result<([f64; 2], Option<String>, &'static str), Thrown> {
    let mut verdict = "";
    let mut first: Option<Difference> = None;
    // What can't be told is asked again; so two more tests than it takes.
    for _ in 0..4 {
        let centred = super::tip::centre(host, ctx, None)?;
        if centred.found {
            reference_m = [centred.x_m, centred.y_m];
        }
        test_tip(host, ctx)?;
        let (now, _) = tip_now(host, ctx)?;
        let since = before.last().map_or(f64::NEG_INFINITY, |last| last.at_s);
        let Some(last) = now.recent.last().filter(|last| last.at_s > since) else { continue };
        verdict = last.finding.verdict.word();
        let found = differs(before, last);
        let alike = first.is_some() && found.as_ref().map(|d| d.larger) == first.as_ref().map(|d| d.larger);
        if alike {
            return Ok((reference_m, found.map(|difference| difference.why), verdict));
        }
        if last.finding.verdict == TipVerdict::Undecided {
            continue;
        }
        if found.is_none() {
            break;
        }
        first = found;
    }
    Ok((reference_m, None, verdict))
}

fn test_tip(host: &Host, ctx: &NativeCallContext<'_>) -> Result<Map, Thrown> {
    let tests = host.bench.tip_tests.ok_or_else(|| {
        let said = Said::with("the bench does not say how a tip is tested", "add `tip_tests` to its file");
        thrown(ctx, "argument", "unknown", said)
    })?;
    let junction = Junction { host, ctx };
    let has = |role: &Role| host.bench.by_role(*role).is_some();
    // What drives or modulates the junction would hide two levels.
    for role in [Role::RfOutput, Role::LockinModulation].into_iter().filter(has) {
        if junction.read(&[role])?.first().is_some_and(|value| *value != 0.0) {
            let wrong = format!("a tip is tested with `{}` at zero", role.name());
            return Err(argument(ctx, Said::with(wrong, "set it to 0 first")));
        }
    }
    let working = junction.read(&[Role::Bias, Role::Setpoint])?;
    let here: Vec<Role> =
        [Role::TipX, Role::TipY, Role::FieldX, Role::FieldZ].into_iter().filter(has).collect();
    junction.read(&here)?;
    junction.set(Role::Feedback, 1.0)?;
    junction.set(Role::Bias, tests.bias_v)?;
    junction.set(Role::Setpoint, tests.setpoint_a)?;
    host.call(ctx, Request::Wait { seconds: AT_REST_S })?;
    junction.set(Role::Feedback, 0.0)?;
    let traced = junction.trace(&tests);
    junction.set(Role::Feedback, 1.0)?;
    junction.set(Role::Setpoint, working[1])?;
    junction.set(Role::Bias, working[0])?;
    let judged = contrast_of_trace(&traced?.data, tests.interval_s)
        .map_err(|error| unfit(ctx, format!("this current can't be judged: {error}")))?;
    let verdict = match judged.verdict {
        ContrastVerdict::Contrast => TipVerdict::Contrast,
        ContrastVerdict::None => TipVerdict::None,
        ContrastVerdict::Jump | ContrastVerdict::Undecided => TipVerdict::Undecided,
    };
    let polarisation = judged.polarisation.filter(|_| verdict == TipVerdict::Contrast);
    let finding = TipFinding { verdict, polarisation: polarisation.map(|(value, error)| [value, error]) };
    host.record(ctx, Statement::TipTest(finding))?;
    let (life, _) = tip_now(host, ctx)?;
    let (value, error) = polarisation.unwrap_or((0.0, 0.0));
    let mut map = Map::new();
    map.insert("verdict".into(), verdict.word().into());
    map.insert("polarisation".into(), value.into());
    map.insert("error".into(), error.into());
    map.insert("good".into(), (verdict == TipVerdict::Contrast && value >= tests.good).into());
    map.insert("proved".into(), life.proved_s.is_some().into());
    Ok(map)
}
