//! What each fuzz target does with its input. The targets and the test `safety` share it, so that a target
//! that no longer builds, or an input that was found once, is noticed by `cargo test`.
//!
//! None of these may panic, and what is asserted must hold for any input whatever.
#![allow(dead_code, reason = "each target uses one of them")]

use noctule::bench::expression::{self, Readings};
use noctule::bench::{Address, Bench, ChannelId, Meaning, Pattern, ScpiAddress, StepAction, builtin, read};
use noctule::diagnostic::{Diagnostic, has_errors, render};
use noctule::instrument::process::protocol::{self, Answer};
use noctule::instrument::scpi::{reply, template, wording};
use noctule::instrument::wire::{self, Wire};
use noctule::mimic::player::Player;
use noctule::quantity::{Dimension, Unit};
use noctule::run::faults::read_faults;
use std::sync::OnceLock;

/// What a target does with an input.
pub type Body = fn(&[u8]);

/// All targets, by name.
pub const ALL: [(&str, Body); 6] = [
    ("bench_file", bench_file),
    ("scpi_reply", scpi_reply),
    ("driver_lines", driver_lines),
    ("recording", recording),
    ("expression", expression),
    ("fault_file", fault_file),
];

/// A bench file: it is understood or refused with the place of each fault, and what is understood is sound.
pub fn bench_file(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match read(text, "bench.ron") {
        Ok((bench, warnings)) => {
            assert!(!has_errors(&warnings), "a bench with errors was accepted");
            sound(&bench);
            let (played, _) = bench.rehearsed("night");
            sound(&played);
        }
        Err(found) => {
            assert!(has_errors(&found), "a bench was refused without a reason");
            shown(&found, text);
        }
    }
}

fn shown(found: &[Diagnostic], text: &str) {
    let lines = text.split('\n').count();
    for diagnostic in found {
        assert!(!diagnostic.message.is_empty());
        assert!(diagnostic.line as usize <= lines + 1, "line {} of {lines}", diagnostic.line);
    }
    // Whole pages of faults cost time and say nothing new about the renderer.
    let _ = render(&found[..found.len().min(8)], text, false);
}

fn sound(bench: &Bench) {
    let known = |id: ChannelId| assert!(id.index() < bench.channels.len());
    assert!(bench.task_link.is_none_or(|link| link < bench.links.len()));
    for channel in &bench.channels {
        assert!(channel.link < bench.links.len());
        assert!(channel.min <= channel.max && channel.step > 0.0 && channel.slew_per_s > 0.0);
        assert!(channel.settle_s >= 0.0 && channel.arrive_within_s >= 0.0);
        if channel.settable {
            assert!(channel.min.is_finite() && channel.max.is_finite(), "{} has no limits", channel.name);
        }
        if let Address::Scpi(address) = &channel.address {
            assert!(address.reply.field < address.reply.fields);
            if address.reply.meaning == Meaning::PLAIN {
                assert_eq!(address.unit.dimension, channel.dimension());
            }
        }
    }
    for condition in bench.permits.iter().map(|permit| &permit.condition) {
        condition.channels().for_each(known);
    }
    for lock in &bench.interlocks {
        assert!(lock.every_s > 0.0 && lock.every_s.is_finite() && lock.lasting_s >= 0.0);
        lock.trip.channels().for_each(known);
    }
    for step in bench.park.iter().chain(&bench.hold).chain(&bench.refill.steps) {
        assert!(step.within_s >= 0.0);
        match step.action {
            StepAction::Set { channel, value } => {
                known(channel);
                let target = bench.channel(channel);
                assert!(target.settable && value >= target.min && value <= target.max);
            }
            StepAction::Keep { channel } => known(channel),
            StepAction::Withdraw => {}
        }
    }
}

/// Replies of an SCPI instrument. The first byte chooses a field.
pub fn scpi_reply(data: &[u8]) {
    let Some((field, bytes)) = data.split_first() else { return };
    let Ok(text) = reply::text(bytes) else { return };
    assert!(text.bytes().all(|byte| matches!(byte, b' '..=b'~' | b'\t')));
    if let Ok(value) = reply::number(text) {
        assert!(value.is_finite());
        let again = template::number(value);
        assert_eq!(reply::number(&again).map(f64::to_bits), Ok((value + 0.0).to_bits()), "{again}");
    }
    if let Ok(values) = reply::numbers(text) {
        assert!(values.iter().all(|value| value.is_finite()));
    }
    let fields: Vec<&str> = reply::fields(text).collect();
    assert_eq!(fields.join(","), text, "nothing is lost between the fields");
    wordings(*field, text);
    if let Ok(Some((code, remark))) = reply::error_entry(text) {
        assert!(code != 0 && !remark.contains('\n'));
    }
    let _ = reply::report(text);
    let _ = fields.iter().map(|field| reply::unquoted(field).len()).sum::<usize>();
    if let Ok(message) = template::set_message(text, 1.25e-3) {
        assert!(!message.contains("{}"));
    }
}

/// The same reply in every form that a bench file can give it; the text before its first `|` is a pattern.
fn wordings(choice: u8, text: &str) {
    let (pattern, text) = text.split_once('|').unwrap_or(("{}", text));
    let mut address = ScpiAddress::plain(Some("S {}"), Some("S?"), Unit::parse("V").expect("a unit"));
    address.reply.pattern = Pattern::parse(pattern).ok();
    address.reply.fields = 1 + usize::from(choice % 3);
    address.reply.field = usize::from(choice / 3) % address.reply.fields;
    address.reply.beyond = (Some("OVLD".to_owned()), Some("-OVLD".to_owned()));
    for meaning in [
        Meaning::PLAIN,
        Meaning::Number { scale: -1e-9, offset: 0.5 },
        Meaning::Table(vec![(-1.0, 300.0), (0.5, 4.0), (2.0, 0.1)]),
        Meaning::Words(vec![("ON".to_owned(), 1.0), ("OFF".to_owned(), 0.0)]),
        Meaning::Listed { first: -1, values: vec![0.1, 0.3, 1.0] },
        Meaning::Bit(choice % 32),
    ] {
        address.reply.meaning = meaning;
        let Ok(value) = wording::understand(&address, text) else { continue };
        assert!(value.is_finite());
        // What was understood can be said again, and means the same; a single bit can't be said.
        if let Ok(said) = wording::speak(&address, value) {
            let again = wording::value_of(&address, &said).unwrap_or(value);
            assert!((again - value).abs() <= 1e-6 * value.abs().max(1.0), "{said}: {again}, not {value}");
        }
    }
}

/// Recordings of links: whatever is in one, it is read, played, and written down again as it was.
pub fn recording(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let lines = wire::read(&text);
    let mut again = Wire::default();
    lines.iter().for_each(|(_, sign, said)| again.note(*sign, said));
    let second: Vec<_> = wire::read(&again.text()).into_iter().map(|(_, sign, said)| (sign, said)).collect();
    let first: Vec<_> = lines.into_iter().map(|(_, sign, said)| (sign, said)).collect();
    // What is too long is cut where it is kept.
    assert!(data.len() > 4000 || first == second);
    let mut player = Player::new(&text);
    for line in data.split(|byte| *byte == b'\n') {
        let _ = player.answer(line).len();
    }
}

/// Lines of a driver process. The first byte says which request waits.
pub fn driver_lines(data: &[u8]) {
    let Some((waiting, bytes)) = data.split_first() else { return };
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let waiting = u64::from(*waiting);
    for line in text.split('\n') {
        match protocol::understand(line, waiting) {
            Answer::Result(value) => {
                let whole: serde_json::Value = serde_json::from_str(line).expect("it was understood");
                assert_eq!(whole["id"].as_u64(), Some(waiting), "an answer to another request was taken");
                assert!(whole.get("error").is_none());
                if let Ok(Some(report)) = protocol::report(&value) {
                    assert!(report.data.iter().all(|number| number.is_finite()));
                }
            }
            Answer::Old => {
                let whole: serde_json::Value = serde_json::from_str(line).expect("it was understood");
                assert!(whole["id"].as_u64().is_some_and(|id| id < waiting));
            }
            Answer::Error(_, message) | Answer::Garbled(message) => assert!(message.len() < 1000),
            Answer::Notification => {}
        }
    }
}

/// A condition of a permit or interlock: understood or refused with a column, and worked out for any readings.
pub fn expression(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let names = ["helium", "stage", "bias", "approached"].map(str::to_owned);
    let lookup = |name: &str| {
        let dimensions = [Dimension::VOLUME, Dimension::TEMPERATURE, Dimension::VOLTAGE, Dimension::NONE];
        let at = names.iter().position(|known| known == name)?;
        Some((ChannelId(at as u16), dimensions[at]))
    };
    match expression::parse(text, &lookup, &names) {
        Ok(condition) => {
            assert_eq!(condition.text, text);
            assert!(condition.channels().all(|id| id.index() < names.len()));
            for level in [None, Some(0.0), Some(-1.5), Some(1e300)] {
                let readings = Level(level);
                let _ = condition.holds(&readings);
                if let Some((value, mark)) = condition.distance(&readings) {
                    assert!(value.is_finite() && mark.is_finite());
                }
            }
        }
        Err(error) => {
            assert!(!error.message.is_empty());
            assert!(error.column <= text.chars().count(), "column {} of `{text}`", error.column);
        }
    }
}

struct Level(Option<f64>);

impl Readings for Level {
    fn latest(&self, _: ChannelId) -> Option<f64> {
        self.0
    }
    fn rate_per_s(&self, _: ChannelId) -> Option<f64> {
        self.0
    }
    fn age_s(&self, _: ChannelId) -> f64 {
        self.0.map_or(f64::INFINITY, f64::abs)
    }
    fn frozen_s(&self, _: ChannelId) -> f64 {
        self.0.map_or(0.0, f64::abs)
    }
    fn unreadable(&self, _: ChannelId) -> bool {
        self.0.is_none()
    }
    fn clock_jump_s(&self) -> f64 {
        self.0.unwrap_or(0.0)
    }
}

/// A file of faults, for rehearsals and for the mimic.
pub fn fault_file(data: &[u8]) {
    static BENCH: OnceLock<Bench> = OnceLock::new();
    let Ok(text) = std::str::from_utf8(data) else { return };
    let bench = BENCH.get_or_init(builtin);
    match read_faults(text, bench) {
        Ok(plan) => {
            for planned in plan.faults.iter().take(50) {
                assert!(planned.for_s >= 0.0 && !planned.describe().is_empty());
            }
            let outside = plan.disturbances(bench);
            assert!(outside.events.len() + outside.slow_disk.len() <= plan.faults.len());
        }
        Err(problems) => assert!(!problems.is_empty()),
    }
    match noctule::mimic::read_faults(text) {
        Ok(faults) => {
            let finite = |at_s: f64| assert!(at_s.is_finite() && at_s >= 0.0);
            faults.iter().for_each(|fault| finite(fault.at_s));
            assert!(faults.iter().all(|fault| fault.for_s >= 0.0));
        }
        Err(problems) => assert!(!problems.is_empty()),
    }
}
