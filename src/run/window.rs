//! Times of day as people say them: `07:30`, `13:30 tomorrow`, `2026-03-29 07:30`, `90 min`.

use super::Setup;
use crate::bench::LinkKind;
use crate::drive::virtual_time::Observer;
use crate::quantity::{Dimension, Quantity, TimePoint};
use crate::record::{DigestOnly, Entry, NewWindow, RecordError, Request, RunFile};
use crate::script::Sequence;
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{ToSpan, ZonedDateTime};
use std::cell::RefCell;
use std::rc::Rc;

/// The time zone of a laboratory; the machine's own where none is named.
///
/// # Errors
/// If there is no zone of that name.
pub fn zone(name: Option<&str>) -> Result<TimeZone, String> {
    name.map_or_else(
        || Ok(TimeZone::system()),
        |name| TimeZone::get(name).map_err(|_| format!("there is no time zone `{name}`")),
    )
}

/// How long it takes to bring the tip out on a simulated bench, s, by a rehearsal of that alone. Nothing where the tip is
/// moved by a real instrument, where it does not work, and without a window, which alone needs it.
pub fn withdrawal_s(setup: &Setup) -> Option<f64> {
    setup.window?;
    let link = setup.bench.task_link?;
    let LinkKind::Simulated(simulated) = &setup.bench.links[link].kind else { return None };
    let sequence = Sequence::from_text("withdrawal.rhai", "approach();\nwithdraw();\n");
    let world = setup.world.is_some().then_some(setup.world_name.as_str()).or(Some(&simulated.world));
    let trial = Setup::for_rehearsal(sequence, setup.bench_source.clone(), world, setup.seed, None).ok()?;
    let times = Rc::new(RefCell::new(Vec::new()));
    let observer = Box::new(Ends(Rc::clone(&times)));
    super::rehearse(&trial, Box::new(DigestOnly::default()), observer, "");
    // The withdrawal is called where the approach has ended.
    let times = times.take();
    let [approached, withdrawn, ..] = times.as_slice() else { return None };
    Some(withdrawn - approached)
}

/// When calls of tasks end, s.
struct Ends(Rc<RefCell<Vec<f64>>>);

impl Observer for Ends {
    fn entry(&mut self, at: TimePoint, entry: &Entry) {
        if let Entry::Call { request: Request::Task(_), answer: Ok(_), .. } = entry {
            self.0.borrow_mut().push(at.s());
        }
    }
}

/// What a text means, seen from `now`. A time of day without a day is its next coming; one that a change of
/// the clocks leaves out comes an hour later.
///
/// ```
/// use noctule::run::parse_time;
/// let now: jiff::ZonedDateTime = "2026-03-28T22:00:00[Europe/Berlin]".parse().unwrap();
/// let until = parse_time("07:30", &now).unwrap();
/// // The clocks go forward in that night, so it is an hour shorter.
/// assert_eq!(now.duration_until(&until).as_secs_f64(), 8.5 * 3600.0);
/// assert!(parse_time("half past seven", &now).is_err());
/// ```
///
/// # Errors
/// One sentence with what is understood.
pub fn parse_time(text: &str, now: &ZonedDateTime) -> Result<ZonedDateTime, String> {
    let fault =
        || format!("`{text}` is no time; write it like 07:30, 13:30 tomorrow, 2026-03-29 07:30, or 90 min");
    let words: Vec<&str> = text.split_whitespace().collect();
    if let Ok(quantity) = text.parse::<Quantity>()
        && quantity.dimension == Dimension::TIME
    {
        let seconds = quantity.si.round() as i64;
        return now.checked_add(seconds.seconds()).map_err(|_| fault());
    }
    let (date, time) = match words.as_slice() {
        [time] => (None, *time),
        [time, "today"] | ["today", time] => (Some(now.date()), *time),
        [time, "tomorrow"] | ["tomorrow", time] => (Some(now.date().tomorrow().map_err(|_| fault())?), *time),
        [date, time] => (Some(date.parse::<Date>().map_err(|_| fault())?), *time),
        _ => return Err(fault()),
    };
    let time: Time = time.parse().map_err(|_| fault())?;
    let at =
        |date: Date| date.to_datetime(time).to_zoned_datetime(now.time_zone().clone()).map_err(|_| fault());
    match date {
        Some(date) => at(date),
        None => {
            let today = at(now.date())?;
            if today > *now { Ok(today) } else { at(now.date().tomorrow().map_err(|_| fault())?) }
        }
    }
}

/// The end of a window as seconds from `now`.
///
/// # Errors
/// One sentence, if the text is no time or is over.
pub fn seconds_until(text: &str, now: &ZonedDateTime) -> Result<f64, String> {
    let seconds = now.duration_until(&parse_time(text, now)?).as_secs_f64();
    if seconds > 0.0 { Ok(seconds) } else { Err(format!("`{text}` is over already")) }
}

/// A window for a run that is resumed at the moment `at` of its own time, when the clock shows `now`.
///
/// # Errors
/// One sentence, if the text is no time or is over.
pub fn new_window(text: &str, now: &ZonedDateTime, at: TimePoint) -> Result<NewWindow, String> {
    let end_s = at.s() + seconds_until(text, now)?;
    Ok(NewWindow { given_at: now.to_string(), until: parse_time(text, now)?.to_string(), end_s })
}

/// The latest window that was given when a run was resumed; none if it has the one that it began with.
///
/// # Errors
/// If the record can't be read.
pub fn latest_window(file: &RunFile) -> Result<Option<NewWindow>, RecordError> {
    let mut given = file.all("resumed")?.into_iter().filter_map(|numbered| match numbered.entry {
        Entry::Resumed { window, .. } => window,
        _ => None,
    });
    Ok(given.next_back())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hours(now: &str, text: &str) -> f64 {
        let now: ZonedDateTime = now.parse().unwrap();
        now.duration_until(&parse_time(text, &now).unwrap()).as_secs_f64() / 3600.0
    }

    #[test]
    fn times_are_understood_across_changes_of_the_clock() {
        let autumn = "2026-10-24T22:00:00[Europe/Berlin]";
        assert_eq!(hours(autumn, "07:30 tomorrow"), 10.5);
        assert_eq!(hours("2026-03-28T22:00:00[Europe/Berlin]", "07:30"), 8.5);
        // 02:30 does not exist in that night; it comes an hour later.
        assert_eq!(hours("2026-03-28T22:00:00[Europe/Berlin]", "02:30"), 4.5);
        assert_eq!(hours("2026-11-25T12:00:00[Etc/UTC]", "13:30"), 1.5);
        assert_eq!(hours("2026-11-25T14:00:00[Etc/UTC]", "13:30"), 23.5);
        assert_eq!(hours("2026-11-25T14:00:00[Etc/UTC]", "90 min"), 1.5);
        assert_eq!(hours("2026-11-25T14:00:00[Etc/UTC]", "2026-11-27 14:00"), 48.0);
    }

    #[test]
    fn a_new_window_begins_where_the_run_goes_on() {
        let now: ZonedDateTime = "2026-11-25T23:00:00[Etc/UTC]".parse().unwrap();
        let at = TimePoint::from_s(5000.0);
        let window = new_window("07:30", &now, at).unwrap();
        assert_eq!(window.end_s, 5000.0 + 8.5 * 3600.0);
        assert_eq!(window.until, "2026-11-26T07:30:00+00:00[Etc/UTC]");
        assert_eq!(window.given_at, now.to_string());
        assert!(new_window("22:59 today", &now, at).unwrap_err().contains("over already"));
        assert!(new_window("soon", &now, at).is_err());
    }

    #[test]
    fn what_is_no_time_is_said() {
        let now: ZonedDateTime = "2026-11-25T12:00:00[Etc/UTC]".parse().unwrap();
        for text in ["", "soon", "25:00", "07:30 some day", "3 mT"] {
            assert!(parse_time(text, &now).unwrap_err().contains("is no time"), "{text}");
        }
    }
}
