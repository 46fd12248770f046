use super::*;
use crate::record::{Answer, Centred, Failure, Found, Request, SafeAct};
use crate::record::{During, JudgementKind, Outcome, Place, Word};
use proptest::prelude::*;
use serde_json::json;

fn call(request: Request<String>, answer: Result<Answer, Failure>) -> Entry {
    Entry::Call { n: 0, request, place: Place::default(), answer }
}

fn set(channel: &str, value: f64, answer: Result<Answer, Failure>) -> Entry {
    call(Request::Set { channel: channel.into(), value }, answer)
}

fn done(task: Task<String>, achieved: bool) -> Entry {
    let report = crate::instrument::TaskReport { achieved, ..Default::default() };
    call(Request::Task(task), Ok(Answer::Task(report)))
}

fn column(channel: &str) -> Column {
    let bench = crate::bench::builtin();
    Column::of(&bench, bench.find(channel).unwrap())
}

fn step(step: SafeAct<Column>, achieved: bool, found: Found) -> Entry {
    Entry::SafeStep { during: During::Park, step, achieved, found }
}

fn centred() -> Entry {
    let plan =
        CentrePlan { channel: "height".into(), reach_m: 3e-10, points: 5, search_m: 0.0, expected: None };
    let centred = Centred {
        found: true,
        x_m: 1e-9,
        y_m: 2e-9,
        dx_m: 0.0,
        dy_m: 0.0,
        x_error_m: 1e-12,
        y_error_m: 1e-12,
        curvature: -3.0,
        searched: false,
        remark: String::new(),
    };
    call(Request::Recentre(plan), Ok(Answer::Centred(centred)))
}

fn fresh() -> History {
    History::new(Some(&crate::bench::builtin()))
}

fn instrument() -> Failure {
    use crate::instrument::{ErrorKind, InstrumentError};
    Failure::Instrument(InstrumentError::new(ErrorKind::TimedOut, "no answer"))
}

#[test]
fn the_last_word_about_a_channel_counts() {
    let (bench, mut history) = (crate::bench::builtin(), fresh());
    let at = TimePoint::from_s(10.0);
    history.entry(at, &set("field_z", 0.5, Ok(Answer::Done)));
    assert_eq!(history.of_role(&bench, crate::bench::Role::FieldZ).unwrap().si, 0.5);
    history.entry(at, &set("field_z", 0.9, Err(Failure::Forbidden("no".into()))));
    assert!(!history.channel("field_z").unwrap().doubtful);
    history.entry(at, &set("field_z", 0.9, Err(instrument())));
    assert!(history.channel("field_z").unwrap().doubtful);
    history.entry(at, &step(SafeAct::Keep(column("field_z")), true, Found::Standing(0.52)));
    assert_eq!(history.channel("field_z").unwrap().si, 0.52);
    history.entry(at, &step(SafeAct::Set(column("bias"), 0.05), true, Found::Reads(0.05001)));
    assert_eq!(history.channel("bias").unwrap().si, 0.05001);
    // What the sequence wants is another matter.
    assert_eq!(history.left.values.get("field_z"), Some(&0.5));
    assert_eq!(history.left.values.get("bias"), None);
}

#[test]
fn a_failed_withdrawal_leaves_the_tip_unknown() {
    let mut history = fresh();
    history.entry(TimePoint::START, &done(Task::Approach, true));
    assert_eq!((history.tip_in, history.left.approached), (Some((true, 0.0)), Some(true)));
    history.entry(TimePoint::from_s(5.0), &step(SafeAct::Withdraw, false, Found::Late));
    assert_eq!(history.tip_in, None);
    history.entry(TimePoint::from_s(9.0), &step(SafeAct::Withdraw, true, Found::Reads(0.0)));
    assert_eq!((history.tip_in, history.left.approached), (Some((false, 9.0)), Some(true)));
}

#[test]
fn whatever_moves_the_tip_takes_it_off_its_spot() {
    let at = TimePoint::START;
    let leaving = [
        Entry::Intent { n: 3, task: Task::Pulse { volts: 1.0, length_s: 0.1 }, place: Place::default() },
        done(Task::MoveTip { x_m: 3e-9, y_m: 0.0, speed_m_s: 1e-9 }, true),
        // One that failed may have come part of the way.
        done(Task::MoveTip { x_m: 3e-9, y_m: 0.0, speed_m_s: 1e-9 }, false),
        set("tip_x", 1e-9, Ok(Answer::Done)),
        call(Request::Park, Ok(Answer::Done)),
    ];
    for entry in leaving {
        let mut history = fresh();
        history.entry(at, &centred());
        assert!(history.left.spot.is_some());
        history.entry(at, &entry);
        assert_eq!(history.left.spot, None, "{entry:?}");
    }
    let mut history = fresh();
    history.entry(at, &centred());
    history.entry(at, &set("bias", 0.1, Ok(Answer::Done)));
    history.entry(at, &step(SafeAct::Withdraw, true, Found::Reads(0.0)));
    assert!(history.left.spot.is_some(), "a hold brings the tip back to it");
}

#[test]
fn the_live_page_knows_where_go_to_has_put_the_tip() {
    let mut history = fresh();
    history.entry(TimePoint::START, &set("tip_x", 1e-9, Ok(Answer::Done)));
    history.entry(TimePoint::START, &done(Task::MoveTip { x_m: 3.2e-9, y_m: 1e-9, speed_m_s: 1e-9 }, true));
    assert_eq!(history.channel("tip_x").unwrap().si, 3.2e-9);
}

/// An entry of any kind that changes what is known.
fn any_entry() -> impl Strategy<Value = Entry> {
    prop_oneof![3 => an_act(), 2 => a_finding()]
}

/// What was measured, found, said, and how it ended.
fn a_finding() -> impl Strategy<Value = Entry> {
    let place = Place::default;
    let sweep = || {
        let axis = crate::record::Axis { channel: column("rf_frequency"), from: 1e9, to: 2e9, points: 3 };
        Box::new(crate::record::SweepPlan::plain("esr", axis, vec![column("lockin_x")]))
    };
    let judged = move |what, sweep, body| {
        let title = "judged".to_owned();
        Entry::Judgement { n: 0, what, sweep, title, body, place: Place::default() }
    };
    let verdicts = prop::sample::select(vec!["real", "absent", "curved", "undecided"]);
    prop_oneof![
        (0_u64..4).prop_map(move |number| {
            let plan = sweep();
            Entry::SweepBegin { n: 0, sweep: number, plan, place: place(), settings: None }
        }),
        (0_u64..4)
            .prop_map(|sweep| { Entry::SweepEnd { n: 0, sweep, points: 3, because: None, settings: None } }),
        (0_u64..4, any::<bool>()).prop_map(move |(sweep, trusted)| {
            let centre = json!({ "name": "centre", "value": 1.4e10 });
            let body = json!({ "trusted": trusted, "fit": { "parameters": [centre] } });
            judged(JudgementKind::Fit, Some(sweep), body)
        }),
        (verdicts, 1_u64..4).prop_map(move |(verdict, spectra)| {
            let sweeps: Vec<u64> = (0..spectra).collect();
            judged(JudgementKind::Verdict, None, json!({ "verdict": verdict, "sweeps": sweeps }))
        }),
        Just(judged(JudgementKind::TipChange, None, json!({ "by_test": false }))),
        (0..2).prop_map(move |k| {
            let name = format!("spin {k}");
            Entry::Kept { n: 0, name, at_m: [1e-9 * f64::from(k), 0.0], place: place() }
        }),
        Just(Entry::Interlock {
            name: "warm stage".into(),
            action: crate::bench::Action::Hold,
            condition: "stage > 1 K".into(),
            cause: crate::record::Cause::Condition,
            because: "it drifts".into(),
            place: Place::default(),
        }),
        Just(Entry::Cleared { name: "warm stage".into() }),
        any::<bool>().prop_map(move |parked| {
            let reason = "enough".to_owned();
            let ending = Ending { outcome: Outcome::Stopped, reason, place: place(), latched: false };
            Entry::End { ending, parked, elapsed_s: 0.0 }
        }),
    ]
}

/// What was done to the bench, and by whom.
fn an_act() -> impl Strategy<Value = Entry> {
    let channel = prop::sample::select(vec!["bias", "field_z", "tip_x", "helium_level", "approached"]);
    let place = Place::default;
    prop_oneof![
        (channel.clone(), -1.0..1.0).prop_map(|(c, v)| set(c, v, Ok(Answer::Done))),
        (channel.clone(), -1.0..1.0).prop_map(|(c, v)| set(c, v, Err(instrument()))),
        (channel, 0.0..1.0).prop_map(|(c, value)| Entry::Monitor { channel: c.into(), value }),
        any::<bool>().prop_map(|achieved| done(Task::Approach, achieved)),
        any::<bool>().prop_map(|achieved| step(SafeAct::Withdraw, achieved, Found::Late)),
        Just(centred()),
        Just(call(Request::Park, Ok(Answer::Done))),
        (0_u64..4).prop_map(move |n| Entry::Intent { n, task: Task::PickUp, place: place() }),
        (0_u64..4, prop::option::of(0_u64..4)).prop_map(move |(step, parent)| Entry::StepBegin {
            n: 0,
            step,
            name: "s".into(),
            place: place(),
            parent,
        }),
        (0_u64..4).prop_map(|step| Entry::StepEnd { n: 0, step, left_out: None }),
        Just(Entry::Held { by: HeldBy::Operator, reason: "tea".into() }),
        Just(Entry::Released { after_s: 1.0 }),
        Just(Entry::Operator { word: Word::Hold, by: None, goal: None, answer: None }),
        Just(Entry::Resumed {
            frontier: 0,
            version: String::new(),
            changes: Vec::new(),
            window: None,
            taken_up_at: None,
            clear_by: None,
        }),
    ]
}

/// What only grows: nothing of it is ever forgotten.
fn grown(history: &History) -> [u64; 5] {
    let channels = history.channels.len() as u64;
    [channels, history.steps.len() as u64, history.holds, history.resumed, history.trips.len() as u64]
}

proptest! {
    #[test]
    fn a_record_written_down_and_read_again_adds_up_to_the_same(entries in prop::collection::vec(any_entry(), 0..40)) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run.sqlite");
        use crate::record::{Durability, Recorder, Store};
        let mut store = Store::create(&path, Durability::ProcessEnd, &[]).unwrap();
        let mut folded = fresh();
        let mut before = grown(&folded);
        for (i, entry) in entries.iter().enumerate() {
            let at = TimePoint::from_s(i as f64);
            store.append(at, entry, &[]).unwrap();
            folded.entry(at, entry);
            let now = grown(&folded);
            // A prefix never knows more than the whole.
            prop_assert!(now.iter().zip(&before).all(|(now, before)| now >= before));
            before = now;
        }
        store.finish().unwrap();
        let file = RunFile::open(&path).unwrap();
        prop_assert_eq!(History::of(&file, &crate::bench::builtin(), u64::MAX).unwrap(), folded);
    }

    #[test]
    fn what_comes_later_does_not_change_what_a_prefix_knows(
        entries in prop::collection::vec(any_entry(), 1..30),
        cut in 0_usize..30,
    ) {
        let cut = cut.min(entries.len());
        let fold = |entries: &[Entry]| {
            let mut history = fresh();
            entries.iter().enumerate().for_each(|(i, entry)| history.entry(TimePoint::from_s(i as f64), entry));
            history
        };
        let mut history = fold(&entries[..cut]);
        for (i, entry) in entries.iter().enumerate().skip(cut) {
            history.entry(TimePoint::from_s(i as f64), entry);
        }
        prop_assert_eq!(history, fold(&entries));
    }
}
