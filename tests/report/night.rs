//! What is told of a run afterwards: brief, plots, exports, list of runs, on a rehearsed evening.

use noctule::bench::Action;
use noctule::drive::virtual_time::Nobody;
use noctule::instrument::Task;
use noctule::quantity::TimePoint;
use noctule::record::{
    Axis, Cause, Column, Document, Durability, During, Ending, Entry, Found, Identity, Outcome, Place, Point,
    Recorder, RunFile, SafeAct, Store, SweepPlan, Values,
};
use noctule::report::account::Account;
use noctule::report::{brief, export, plot, runs};
use noctule::run::{BenchSource, Setup, rehearse};
use noctule::script::Sequence;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// A short evening with everything in it that a brief tells of. Invented, as the bench and the world are.
const EVENING: &str = r#"
step("checks", || {
    note(`<b>pressure</b> & "helium": ${read("HeliumLevel", 3)}`);
    decide("does the helium last?", helium_left() > 6.L, "for one evening");
});
step("too long", #{ helium: 90.L }, || { wait(1.s); });
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
let picture = image(#{ x: 0.nm, y: 0.nm, size: 14.nm, pixels: 48, line_time: 400.ms });
let adatoms = find_spots(picture).filter(|spot| spot.height > 0.08.nm && spot.height < 0.185.nm);
if adatoms.is_empty() { stop("no adatom in the image"); }
go_to(adatoms[0].x, adatoms[0].y);
recentre(); recentre();
let current = trace("Current", 500, 2.ms);
ramp_field(0.5.T);
set("RfLevel", -14.dBm);
set("RfOutput", 1);
let fits = [];
let spectra = [];
for i in 0..5 {
    step(`field ${i}`, || {
        let field = 0.5.T + 0.05.T * i;
        ramp_field(field);
        recentre();
        let expected = 25.2.GHz / 1.T * field;
        let s = sweep(#{ name: "esr", channel: "RfFrequency", from: expected - 120.MHz, to: expected + 120.MHz,
            points: 81, read: ["LockinX", "Current"], dwell: 600.ms, average: 4 });
        spectra.push([field, s]);
        fits.push([field, fit_resonance(s)]);
    });
}
is_real(spectra);
let good = fits.filter(|pair| pair[1].trusted);
if good.len() >= 2 { resonance_law(good); }
grid(#{ name: "map", slow: #{ channel: "Bias", from: 40.mV, to: 60.mV, points: 4 },
    fast: #{ channel: "RfFrequency", from: 12.GHz, to: 12.1.GHz, points: 6 }, read: ["Current", "RfFrequency"] });
sweep(#{ name: "there and back", channel: "Bias", from: 40.mV, to: 60.mV, points: 9, read: ["Current"], both_ways: true });
"#;

fn rehearsed(text: &str, name: &str, path: &Path) {
    let sequence = Sequence::from_text(name, text);
    let bench = BenchSource::load(None).expect("the built-in bench");
    let setup =
        Setup::for_rehearsal(sequence, bench, None, 5, None).expect("a sequence that can be rehearsed");
    let store = Store::create(path, Durability::ProcessEnd, &setup.documents()).expect("a new file");
    let done = rehearse(&setup, Box::new(store), Box::new(Nobody), "2026-11-24T18:00:00+00:00[UTC]");
    assert!(done.digest.is_some(), "{:?}", done.script);
}

/// The evening, rehearsed once for all tests.
fn evening() -> &'static Path {
    static FOLDER: OnceLock<(tempfile::TempDir, PathBuf)> = OnceLock::new();
    let (_, path) = FOLDER.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("evening.sqlite");
        rehearsed(EVENING, "evening.rhai", &path);
        (folder, path)
    });
    path
}

fn open(path: &Path) -> RunFile {
    RunFile::open(path).expect("a run file")
}

/// Whether tags are balanced; enough to notice a forgotten end.
fn assert_balanced(html: &str) {
    let void = ["meta", "br", "rect", "path", "image", "!doctype"];
    let mut open = Vec::new();
    let mut rest = html;
    while let Some(at) = rest.find('<') {
        let end = rest[at..].find('>').expect("a tag has an end") + at;
        let tag = &rest[at + 1..end];
        let name = tag.trim_start_matches('/').split([' ', '/']).next().unwrap_or_default();
        if tag.starts_with('/') {
            assert_eq!(open.pop(), Some(name), "near {}", &rest[..at.min(80)]);
        } else if name == "style" {
            rest = &rest[rest.find("</style>").expect("a style has an end") + 8..];
            continue;
        } else if !void.contains(&name) && !tag.ends_with('/') {
            open.push(name);
        }
        rest = &rest[end + 1..];
    }
    assert!(open.is_empty(), "{open:?}");
}

#[test]
fn a_sequence_that_failed_by_itself_has_to_be_changed_first() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("limit.sqlite");
    rehearsed("set(\"Bias\", 700.mV);", "limit.rhai", &path);
    let text = brief::text(&[open(&path)]).unwrap();
    assert!(!text.contains("When the cause is understood"), "{text}");
    let flowing = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flowing.contains("change it, unless the cause lay in the bench"), "{text}");
    assert!(text.contains(&format!("$ noctule resume {} --sequence limit.rhai", path.display())), "{text}");
}

#[test]
fn the_writers_words_stand_at_the_top_for_the_next_shift() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("words.sqlite");
    let words = "note(\"a machine's word\");\nlet field = 500.mT;\n\
        hand_over(`take an image <first>; the field is ${field}`);\nhand_over(\"then the map\");\npark();";
    rehearsed(words, "words.rhai", &path);
    let run = [open(&path)];
    let text = brief::text(&run).unwrap();
    let (said, state) = (text.find("For the next shift").unwrap(), text.find("Bench now").unwrap());
    assert!(
        said < state && text[said..state].contains("- take an image <first>; the field is 500 mT"),
        "{text}"
    );
    assert!(
        text[said..state].contains("- then the map") && !text[said..state].contains("machine's"),
        "{text}"
    );
    assert!(!text.contains("choose what to measure next") && text.contains("writer's words"), "{text}");
    let page = brief::html(&run).unwrap();
    let said = page.find(">For the next shift<").expect("a section");
    assert!(
        said < page.find(">Bench now<").unwrap() && page.contains("<li>take an image &lt;first&gt;"),
        "{page}"
    );
}

#[test]
fn a_trend_over_points_is_no_fit_of_a_spectrum() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trend.sqlite");
    let trend = "let rows = [];\nfor i in 0..5 { rows.push([i * 1.mT, 2.MHz + i * 28.MHz, 0.1.MHz]); }\n\
        fit_points(\"line\", rows);\npark();";
    rehearsed(trend, "trend.rhai", &path);
    let run = [open(&path)];
    let text = brief::text(&run).unwrap();
    assert!(text.contains("\n1 fit of other points"), "{text}");
    assert!(text.contains("5 points, line: offset") && !text.contains("sweep    –"), "{text}");
    let page = brief::html(&run).unwrap();
    assert!(page.contains("Fits of points that the sequence put together"));
    assert!(page.contains("data-l=\"What was fitted\">5 points, line: offset"), "{page}");
    assert!(!page.contains(">Asymmetry<"), "no row of a spectrum without one");
}

#[test]
fn the_brief_tells_the_evening_and_loads_nothing() {
    let html = brief::html(&[open(evening())]).unwrap();
    assert_balanced(&html);
    for needed in [
        "▲ Finished",
        "The bench is parked",
        "withdrawn",
        "Helium until",
        "Resonance against field",
        "`too long` skipped",
        "rf_output to 0",
        "does the helium last?",
        "oxygen monitor",
        "This program is no safety device",
        "every row checked",
    ] {
        assert!(html.contains(needed), "`{needed}` is missing");
    }
    // Words of the sequence stay words.
    assert!(html.contains("&lt;b&gt;pressure&lt;/b&gt; &amp; &quot;helium&quot;"));
    assert!(!html.contains("<script") && !html.contains("src=") && !html.contains("@import"));
    let links = html.matches("http").count();
    assert_eq!(
        links,
        html.matches("http://www.w3.org/2000/svg").count() + html.matches("http-equiv").count()
    );
    // Every figure has its label, every table its caption.
    assert_eq!(html.matches("<svg").count(), html.matches("role=\"img\" aria-label=\"").count());
    assert_eq!(html.matches("<table").count(), html.matches("<caption>").count());
    assert!(html.len() < 1 << 20);
}

#[test]
fn the_text_says_the_same_and_fits_a_terminal() {
    let text = brief::text(&[open(evening())]).unwrap();
    for needed in ["▲ FINISHED", "Bench now", "withdrawn", "Verdict:", "too long", "Cautions"] {
        assert!(text.contains(needed), "`{needed}` is missing from\n{text}");
    }
    assert!(matches!(brief::text(&[]), Err(brief::BriefError::NoRun)));
}

#[test]
fn a_damaged_file_gives_the_brief_of_its_intact_part_and_says_so() {
    let whole = Account::read(&open(evening()));
    assert!(whole.is_intact() && whole.history.points == 5 * 81 + 24 + 18, "{} points", whole.history.points);
    let folder = tempfile::tempdir().unwrap();
    for (name, damage) in [
        ("altered point", "UPDATE point SET r0 = r0 + 1e-15 WHERE sweep = 2 AND i = 40"),
        ("lost row", "DELETE FROM point WHERE sweep = 2 AND i = 40"),
        (
            "garbled entry",
            "UPDATE entry SET body = '{\"n\":' WHERE kind = 'sweep_end' AND seq > (SELECT seq FROM point WHERE sweep = 2 AND i = 40)",
        ),
    ] {
        let path = folder.path().join(format!("{}.sqlite", name.replace(' ', "_")));
        std::fs::copy(evening(), &path).unwrap();
        let changed = rusqlite::Connection::open(&path).unwrap().execute(damage, []).unwrap();
        assert!(changed >= 1, "{name}");
        let account = Account::read(&open(&path));
        assert!(!account.is_intact(), "{name}");
        // The check reads ahead to the next entry, so before a garbled one it stops a few points early.
        let sql = "SELECT count(*) FROM point WHERE sweep = 2 AND seq < ?1";
        let counted = |row: &rusqlite::Row<'_>| row.get::<_, u64>(0);
        let connection = rusqlite::Connection::open(&path).unwrap();
        let intact_here = connection.query_row(sql, [account.integrity.intact], counted).unwrap();
        let least = if name == "garbled entry" { 70 } else { 40 };
        assert!(
            intact_here >= least && (intact_here == 40 || name == "garbled entry"),
            "{name}: {intact_here}"
        );
        assert_eq!(account.history.points, 2 * 81 + intact_here, "{name}: {:?}", account.integrity);
        assert_eq!(account.fits.len(), 2, "{name}");
        let html = brief::html(&[open(&path)]).unwrap();
        assert_balanced(&html);
        assert!(html.contains("The run file is damaged") && html.contains("✕ Cut short"), "{name}");
        assert!(!html.contains("every row checked"));
        // Exports hold the intact part too, and no more.
        let out = folder.path().join("out");
        export::csv(&open(&path), &out).unwrap();
        let table = std::fs::read_to_string(out.join("sweep_0002_esr.csv")).unwrap();
        let rows = table.lines().filter(|line| !line.starts_with('#')).count();
        assert_eq!(rows as u64, 1 + intact_here, "{name}");
    }
}

#[test]
fn a_file_cut_in_the_middle_is_met_with_words() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = std::fs::read(evening()).unwrap();
    for part in [4096, bytes.len() / 3, bytes.len() / 2, bytes.len() - 4096] {
        let path = folder.path().join(format!("cut_{part}.sqlite"));
        std::fs::write(&path, &bytes[..part]).unwrap();
        match RunFile::open(&path) {
            Ok(run) => assert!(brief::html(&[run]).unwrap().contains("The run file is damaged"), "{part}"),
            Err(error) => assert!(!error.to_string().is_empty()),
        }
    }
}

/// A run that died in the middle of a sweep, after a pulse of which no end is known.
fn cut_short(path: &Path) {
    let bench =
        Document { name: "bench.ron".into(), role: "bench", text: noctule::bench::builtin_text().into() };
    let mut store = Store::create(path, Durability::PowerCut, &[bench]).unwrap();
    let place = Place { file: "night.rhai".into(), line: 12 };
    let identity = Entry::Identity(Identity {
        sequence: "night.rhai".into(),
        sequence_hash: "1".into(),
        bench: "bench.ron".into(),
        bench_hash: "2".into(),
        world: String::new(),
        world_hash: String::new(),
        seed: 0,
        rehearsal: false,
        version: "0.1.0".into(),
    });
    let column = |channel: &str, unit: &str, si_unit: &str| Column {
        channel: channel.into(),
        unit: unit.into(),
        si_unit: si_unit.into(),
    };
    let at = TimePoint::from_s;
    store.append(at(0.0), &identity, &[]).unwrap();
    let pulse = Entry::Intent { n: 1, task: Task::Pulse { volts: 1.5, length_s: 0.1 }, place: place.clone() };
    store.append(at(5.0), &pulse, &[]).unwrap();
    let fast = Axis { channel: column("rf_frequency", "GHz", "Hz"), from: 14e9, to: 14.1e9, points: 100 };
    let plan = SweepPlan::plain("esr", fast, vec![column("lockin_x", "fA", "A")]);
    let begin = Entry::SweepBegin { n: 2, sweep: 0, plan: Box::new(plan), place, settings: None };
    store.append(at(6.0), &begin, &[]).unwrap();
    for i in 0..40 {
        let values = Values::new(&[1e-15 * i as f64]);
        store
            .append_point(&Point {
                sweep: 0,
                i,
                at: at(7.0 + i as f64),
                x: 14e9 + 1e6 * i as f64,
                y: 0.0,
                values,
            })
            .unwrap();
    }
    store.commit().unwrap();
}

#[test]
fn a_run_that_was_cut_says_what_is_not_known_and_how_to_go_on() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a night.sqlite");
    cut_short(&path);
    let account = Account::read(&open(&path));
    assert!(account.is_intact(), "{:?}", account.integrity);
    let hand = brief::Handover::new(&account);
    assert_eq!(hand.result.outcome, "cut short");
    assert_eq!(hand.command, Some(format!("noctule resume '{}'", path.display())));
    assert!(
        hand.questions.iter().any(|q| q.starts_with("Pulse") && q.contains("may have happened")),
        "{hand:?}"
    );
    assert!(hand.questions.iter().any(|q| q.contains("40 of 100 points")));
    assert_eq!(hand.state[0].value, "not known");
    let frequency = account.history.channel("rf_frequency").unwrap();
    assert!((frequency.si - 14.039e9).abs() < 1.0);
    assert!(brief::html(&[open(&path)]).unwrap().contains("noctule resume"));
}

#[test]
fn an_interlock_that_parked_is_told_with_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("parked.sqlite");
    cut_short(&path);
    let mut store = Store::reopen(&path, Durability::PowerCut, false).unwrap();
    let place = Place { file: "night.rhai".into(), line: 12 };
    let trip = Entry::Interlock {
        name: "magnet voltage".into(),
        action: Action::ParkLatch,
        condition: "magnet_voltage > 2 V".into(),
        cause: Cause::Condition,
        because: "a quench".into(),
        place: place.clone(),
    };
    store.append(TimePoint::from_s(60.0), &trip, &[]).unwrap();
    let bias = Column { channel: "bias".into(), unit: "mV".into(), si_unit: "V".into() };
    for (step, achieved, read) in [(SafeAct::Withdraw, true, 0.0), (SafeAct::Set(bias, 0.05), false, 0.06)] {
        let step = Entry::SafeStep { during: During::Park, step, achieved, found: Found::Reads(read) };
        store.append(TimePoint::from_s(61.0), &step, &[]).unwrap();
    }
    let ending =
        Ending { outcome: Outcome::Interlock, reason: "magnet voltage tripped".into(), place, latched: true };
    store
        .append(TimePoint::from_s(62.0), &Entry::End { ending, parked: false, elapsed_s: 62.0 }, &[])
        .unwrap();
    store.finish().unwrap();
    drop(store);
    let html = brief::html(&[open(&path)]).unwrap();
    for needed in [
        "✕ Interlock",
        "The magnet may have quenched at +00:01:02: magnet voltage tripped",
        "the sequence was at night.rhai, line 12",
        "The bench is NOT parked (bias to 50 mV not reached)",
        "Acknowledge the interlock",
        "Park step not reached: bias to 50 mV — reads 60 mV",
        "✕ NOT reached",
        "a later set failed",
    ] {
        assert!(html.contains(needed), "`{needed}` is missing");
    }
}

#[test]
fn plots_are_drawn_with_units_and_decode_as_pictures() {
    let run = open(evening());
    let account = Account::read(&run);
    let drawn = [
        ("spectrum", plot::sweep(&account, &run, 0, Some("LockinX"), plot::SIZE), "rf_frequency (GHz)"),
        ("map", plot::sweep(&account, &run, 5, None, plot::SIZE), "bias (mV)"),
        ("both ways", plot::sweep(&account, &run, 6, None, plot::SIZE), "current (pA)"),
        ("resonance", plot::resonance(&account, plot::SIZE), "field (T)"),
        ("trace", plot::trace(&account, &run, 0, plot::SIZE), "time (s)"),
        ("histogram", plot::histogram(&account, &run, 0, 30, plot::SIZE), "current (pA)"),
        ("image", plot::image(&account, &run, 0, plot::SIZE), "height (pm)"),
        ("watched", plot::watched(&account, "HeliumLevel", plot::SIZE), "helium_level"),
    ];
    for (name, drawing, label) in drawn {
        let drawing = drawing.unwrap_or_else(|error| panic!("{name}: {error}"));
        let svg = drawing.svg();
        assert!(svg.contains(label), "{name}: {svg}");
        assert!(!svg.contains("NaN") && !svg.contains("inf"), "{name}");
        let png = drawing.png(1);
        let mut reader = png::Decoder::new(std::io::Cursor::new(&png)).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut pixels).unwrap();
        assert!(pixels.iter().any(|p| *p < 100), "{name} is blank");
    }
    let unknown = plot::sweep(&account, &run, 99, None, plot::SIZE).unwrap_err().to_string();
    assert_eq!(unknown, "this run has no sweep `99`; its sweeps count from 0 to 6");
    let unread = plot::sweep(&account, &run, 0, Some("Bias"), plot::SIZE).unwrap_err().to_string();
    assert!(unread.ends_with("sweep 0 read lockin_x, current"), "{unread}");
}

#[test]
fn exports_open_in_other_tools_with_the_same_numbers() {
    let folder = tempfile::tempdir().unwrap();
    let csv = folder.path().join("csv");
    let hdf5 = folder.path().join("evening.h5");
    let files = export::csv(&open(evening()), &csv).unwrap();
    assert!(files.iter().all(|f| f.is_file()) && files.len() >= 2 * 7 + 2 * 2 + 5);
    export::hdf5(&open(evening()), &hdf5).unwrap();
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 2, "no rest is left behind");
    let wanted = std::env::var("NOCTULE_PYTHON_CHECKS").is_ok_and(|v| v == "1");
    let ready = Command::new("python3").args(["-c", "import h5py, pandas, numpy"]).output();
    if !ready.is_ok_and(|o| o.status.success()) {
        assert!(!wanted, "NOCTULE_PYTHON_CHECKS=1, but python3 with h5py, pandas and numpy is not there");
        eprintln!("NOT CHECKED with other tools: python3 with h5py, pandas and numpy is not there");
        return;
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/report/open_exports.py");
    let output = Command::new("python3").arg(script).args([evening(), &csv, &hdf5]).output().unwrap();
    let (said, complaint) =
        (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{said}\n{complaint}");
    assert!(said.contains("all values agree"), "{said}");
}

#[test]
fn numbers_keep_all_their_bits_in_the_record() {
    // Reading JSON by the quick way gives neighbours of these numbers.
    for text in ["1.951662723931255e-13", "9.880234936719257e-12", "1.0174696419632213e-11"] {
        let read: f64 = serde_json::from_str(text).unwrap();
        assert_eq!(read.to_bits(), text.parse::<f64>().unwrap().to_bits(), "{text}");
    }
}

#[test]
fn past_runs_are_listed_searched_named_and_tidied() {
    let folder = tempfile::tempdir().unwrap();
    let place = |name: &str| {
        std::fs::create_dir(folder.path().join(name)).unwrap();
        folder.path().join(name).join("run.sqlite")
    };
    std::fs::copy(evening(), place("1124_evening")).unwrap();
    std::fs::copy(evening(), place("1125_evening")).unwrap();
    cut_short(&place("1126_night"));
    std::fs::write(place("1127_rubbish"), "no database").unwrap();
    let all = runs::list(folder.path()).unwrap();
    let outcomes: Vec<&str> = all.iter().map(|r| r.outcome.word()).collect();
    assert_eq!(outcomes, ["finished", "finished", "cut short", "unreadable"]);
    assert_eq!((all[0].points, all[0].sequence.as_str()), (447, "evening.rhai"));
    assert!(!all[0].headline.is_empty() && all[0].elapsed_s > 1000.0);
    assert_eq!(runs::search(&all, "EVENING finished").len(), 2);
    assert_eq!(runs::search(&all, "helium").len(), 2, "notes are searched");
    assert_eq!(runs::named(&all, "1126").unwrap().name, "1126_night");
    assert!(matches!(runs::named(&all, "112"), Err(runs::NameError::Several { all, .. }) if all.len() == 4));
    let typo = runs::named(&all, "1126_nihgt").unwrap_err().to_string();
    assert!(typo.ends_with("did you mean `1126_night`?"), "{typo}");

    let every: Vec<&runs::PastRun> = all.iter().collect();
    let plan = runs::prune(&every[1..], true);
    let removed = plan.deeds.iter().filter(|(_, deed)| matches!(deed, runs::Deed::Remove(_))).count();
    assert_eq!(removed, 1, "what is cut short or unreadable is never removed: {plan:?}");
    assert!(all[1].path.exists(), "a plan touches nothing");
    assert_eq!(plan.carry_out(), Vec::<String>::new());
    assert!(!all[1].path.exists() && all[2].path.exists());

    let shelf = folder.path().join("shelf");
    let plan = runs::move_to(&every[..1], &shelf);
    assert_eq!(plan.carry_out(), Vec::<String>::new());
    assert_eq!(Account::read(&open(&shelf.join("1124_evening/run.sqlite"))).history.points, 447);
    assert_eq!(runs::older_than(&runs::list(&shelf).unwrap(), 1).len(), 0);
}
