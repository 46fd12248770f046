//! Times of a run as people say them.

use jiff::tz::TimeZone;
use jiff::{Timestamp, ZonedDateTime};

/// The start of a run on the wall clock, where it is known.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Clock {
    start: Option<ZonedDateTime>,
}

impl Clock {
    /// From the text in the record and the time zone of the laboratory.
    pub fn new(started_at: Option<&str>, time_zone: Option<&str>) -> Self {
        let Some(text) = started_at else { return Self::default() };
        let zone = time_zone.and_then(|name| TimeZone::get(name).ok());
        let zoned: Option<ZonedDateTime> = text.parse().ok();
        let instant: Option<Timestamp> =
            zoned.as_ref().map(ZonedDateTime::timestamp).or_else(|| text.parse().ok());
        let start = match (instant, zone, zoned) {
            (Some(instant), Some(zone), _) => Some(instant.to_zoned_datetime(zone)),
            (_, None, Some(zoned)) => Some(zoned),
            (Some(instant), None, None) => Some(instant.to_zoned_datetime(TimeZone::UTC)),
            (None, ..) => None,
        };
        Self { start }
    }

    /// Whether the wall clock is known.
    pub fn is_known(&self) -> bool {
        self.start.is_some()
    }

    fn at(&self, seconds: f64) -> Option<ZonedDateTime> {
        let start = self.start.as_ref()?;
        if seconds.is_nan() || seconds.abs() >= 1e9 {
            return None;
        }
        let at = Timestamp::from_second(start.timestamp().as_second() + seconds.round() as i64).ok()?;
        Some(at.to_zoned_datetime(start.time_zone().clone()))
    }

    /// `05:12` on the day of the start, `Thu 05:12` on another; `+05:12:30` where no wall clock is known.
    pub fn short(&self, seconds: f64) -> String {
        let Some(at) = self.at(seconds) else { return elapsed(seconds) };
        let same_day = self.start.as_ref().is_some_and(|start| start.date() == at.date());
        at.strftime(if same_day { "%H:%M" } else { "%a %H:%M" }).to_string()
    }

    /// Times along an axis from the start to some end, s: whole minutes or hours of the clock, at most about `most`.
    pub fn ticks(&self, end_s: f64, most: usize) -> Vec<(f64, String)> {
        const STEPS_S: [f64; 12] = [
            60.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 10800.0, 21600.0, 43200.0, 86400.0, 604_800.0,
        ];
        let step_s =
            STEPS_S.into_iter().find(|step_s| end_s / step_s <= most.max(1) as f64).unwrap_or(604_800.0);
        let since_midnight_s = self.start.as_ref().map_or(0.0, |start| {
            let time = start.time();
            f64::from(time.hour()) * 3600.0 + f64::from(time.minute()) * 60.0 + f64::from(time.second())
        });
        let first = (since_midnight_s / step_s).ceil() * step_s - since_midnight_s;
        let form = if end_s > 86_400.0 { "%a %H:%M" } else { "%H:%M" };
        let words = |at_s: f64| match self.at(at_s) {
            Some(at) => at.strftime(form).to_string(),
            None => elapsed(at_s).trim_start_matches('+').trim_end_matches(":00").to_owned(),
        };
        let count = ((end_s - first) / step_s).floor().max(-1.0) as i64 + 1;
        (0..count).map(|i| first + step_s * i as f64).map(|at_s| (at_s, words(at_s))).collect()
    }

    /// Minute of the week, from Monday at midnight on; none where no wall clock is known.
    pub fn minute_of_week(&self, seconds: f64) -> Option<u32> {
        let at = self.at(seconds)?;
        let day = at.weekday().to_monday_zero_offset().unsigned_abs();
        Some(
            u32::from(day) * 1440
                + u32::from(at.hour().unsigned_abs()) * 60
                + u32::from(at.minute().unsigned_abs()),
        )
    }

    /// A time to come, as people say it: `09:10` today, `Tuesday 09:10` within a week, else with the date.
    pub fn ahead(&self, seconds: f64, from_s: f64) -> String {
        let (Some(at), Some(from)) = (self.at(seconds), self.at(from_s)) else { return elapsed(seconds) };
        let form = match (at.date() == from.date(), seconds - from_s < 6.0 * 86_400.0) {
            (true, _) => "%H:%M",
            (false, true) => "%A %H:%M",
            (false, false) => "%A %d %B",
        };
        at.strftime(form).to_string()
    }

    /// Seconds since 1970 at a moment of the run; none where no wall clock is known.
    pub fn since_1970_s(&self, seconds: f64) -> Option<f64> {
        Some(self.start.as_ref()?.timestamp().as_second() as f64 + seconds)
    }

    /// With weekday and date, for what lasts over days: `Fri 27 Nov, 22:10`.
    pub fn dated(&self, seconds: f64) -> String {
        self.at(seconds).map_or_else(|| elapsed(seconds), |at| at.strftime("%a %d %b, %H:%M").to_string())
    }

    /// With the date and the zone.
    pub fn long(&self, seconds: f64) -> String {
        match self.at(seconds) {
            Some(at) => at.strftime("%a %d %b %Y, %H:%M %Z").to_string(),
            None => format!("{} after the start", crate::quantity::in_words(seconds.max(0.0))),
        }
    }

    /// As ISO 8601, for files.
    pub fn iso(&self, seconds: f64) -> Option<String> {
        self.at(seconds).map(|at| at.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string())
    }
}

/// `+05:12:30`.
pub fn elapsed(seconds: f64) -> String {
    format!("+{}", crate::quantity::TimePoint::from_s(seconds))
}

/// A recorded time of day for people; as it stands, if it is none.
pub fn day_and_minute(text: &str) -> String {
    let at = text.parse::<jiff::ZonedDateTime>();
    at.map_or_else(|_| text.to_owned(), |at| at.strftime("%a %d %b, %H:%M").to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_zone_of_the_laboratory_counts_and_the_night_change_of_clocks_is_met() {
        // On 25 October 2026 clocks in central Europe go back at 01:00 UTC (EU directive 2000/84/EC).
        let clock = Clock::new(Some("2026-10-24T20:00:00Z"), Some("Europe/Zurich"));
        assert_eq!(clock.short(0.0), "22:00");
        assert_eq!(clock.short(4.0 * 3600.0), "Sun 02:00");
        assert_eq!(clock.short(5.0 * 3600.0), "Sun 02:00");
        assert_eq!(clock.short(6.0 * 3600.0), "Sun 03:00");
    }

    #[test]
    fn ticks_stand_at_whole_hours_of_the_clock() {
        let clock = Clock::new(Some("2026-11-24T20:40:00Z"), Some("Europe/Zurich"));
        let words: Vec<String> = clock.ticks(4.0 * 3600.0, 5).into_iter().map(|tick| tick.1).collect();
        assert_eq!(words, ["22:00", "23:00", "00:00", "01:00"]);
        assert_eq!(clock.ticks(4.0 * 3600.0, 5)[0].0, 1200.0);
        assert!(Clock::default().ticks(30.0, 5).len() <= 1);
    }

    #[test]
    fn without_a_wall_clock_times_count_from_the_start() {
        for clock in [Clock::new(None, None), Clock::new(Some("yesterday"), None)] {
            assert_eq!(clock.short(3725.0), "+01:02:05");
        }
    }
}
