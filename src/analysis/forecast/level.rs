//! A falling level and when it reaches a mark.

use serde::Serialize;

use super::student_95;
use crate::analysis::realness::{Unusable, at_least, finite, same_length};

/// A time with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Crossing {
    /// Best estimate, s on the clock of the readings.
    pub at_s: f64,
    /// Earliest at 95 % confidence, s.
    pub earliest_s: f64,
    /// Latest at 95 % confidence, s; absent when the rate is so uncertain that it might never come.
    pub latest_s: Option<f64>,
}

/// A straight line through level readings.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LevelForecast {
    /// Change of the level, unit/s; negative when it falls.
    pub rate: f64,
    /// Its standard error, unit/s.
    pub rate_error: f64,
    /// Level at the last reading by the line, unit.
    pub level_now: f64,
    /// Its standard error, unit.
    pub level_now_error: f64,
    /// Scatter of the readings about the line, unit.
    pub scatter: f64,
    /// Bend of the level over the readings in its own standard errors; beyond 3 the rate has changed and the
    /// readings before the change should be left out.
    pub bend: f64,
    mean_t: f64,
    mean_level: f64,
    mean_variance: f64,
    quantile: f64,
}

impl LevelForecast {
    /// Level at a time with the half width of its 95 % band.
    pub fn at(&self, t_s: f64) -> (f64, f64) {
        let off = t_s - self.mean_t;
        let error = (self.mean_variance + (off * self.rate_error).powi(2)).sqrt();
        (self.mean_level + self.rate * off, self.quantile * error)
    }

    /// When the level reaches a mark. The bounds are where the 95 % band crosses it.
    ///
    /// # Errors
    /// Refuses a level that certainly does not move towards the mark, and a mark that is not a number.
    pub fn reaches(&self, mark: f64) -> Result<Crossing, Unusable> {
        finite(&[mark], "marks")?;
        let towards = (mark - self.mean_level) * self.rate.signum();
        let at_s = self.mean_t + (mark - self.mean_level) / self.rate;
        if self.rate == 0.0 || !at_s.is_finite() || towards < 0.0 && self.at_is_past(mark) {
            return Err(Unusable::NotDetermined { what: "When the level reaches the limit" });
        }
        // (c − b u)² = k² (v + u² s²) with u = t − t̄: a quadratic in u.
        let (c, b) = (mark - self.mean_level, self.rate);
        let k2 = self.quantile * self.quantile;
        let (qa, qb, qc) =
            (b * b - k2 * self.rate_error.powi(2), -2.0 * b * c, c * c - k2 * self.mean_variance);
        let root = (qb * qb - 4.0 * qa * qc).max(0.0).sqrt();
        let (one, two) = ((-qb - root) / (2.0 * qa), (-qb + root) / (2.0 * qa));
        let (first, second) = if one < two { (one, two) } else { (two, one) };
        if ![first, second].iter().all(|u| u.is_finite()) {
            return Err(Unusable::NotDetermined { what: "When the level reaches the limit" });
        }
        if qa > 0.0 {
            let latest_s = Some(self.mean_t + second);
            return Ok(Crossing { at_s, earliest_s: self.mean_t + first, latest_s });
        }
        // The rate might be zero: only the root before the estimate bounds the time.
        let before = [first, second].into_iter().filter(|u| self.mean_t + u <= at_s).fold(f64::NAN, f64::max);
        if before.is_nan() {
            return Err(Unusable::NotDetermined { what: "When the level reaches the limit" });
        }
        Ok(Crossing { at_s, earliest_s: self.mean_t + before, latest_s: None })
    }

    /// A mark that the level has left behind for good.
    fn at_is_past(&self, mark: f64) -> bool {
        (mark - self.level_now) * self.rate.signum() < -self.quantile * self.level_now_error
    }
}

/// Fits a straight line to level readings at times in s.
///
/// # Errors
/// Refuses fewer than three readings, unusable numbers, columns of different length, and times all the same.
///
/// ```
/// use noctule::analysis::forecast::level_forecast;
/// let t: Vec<f64> = (0..12).map(|h| 3600.0 * h as f64).collect();
/// // 60 % at first, falling by 0.8 % an hour, with readings rounded to 0.1 %.
/// let level: Vec<f64> = t.iter().enumerate().map(|(i, t)| 60.0 - 0.8 * t / 3600.0 + 0.05 * (-1f64).powi(i as i32)).collect();
/// let forecast = level_forecast(&t, &level).unwrap();
/// let empty = forecast.reaches(20.0).unwrap();
/// assert!((empty.at_s / 3600.0 - 50.0).abs() < 1.0);
/// assert!(empty.earliest_s < empty.at_s && empty.latest_s.unwrap() > empty.at_s);
/// ```
pub fn level_forecast(times_s: &[f64], levels: &[f64]) -> Result<LevelForecast, Unusable> {
    same_length(("times", times_s), ("levels", levels))?;
    at_least(times_s.len(), 3, "level readings")?;
    finite(times_s, "times")?;
    finite(levels, "levels")?;
    let n = times_s.len() as f64;
    let mean_t = times_s.iter().sum::<f64>() / n;
    let mean_level = levels.iter().sum::<f64>() / n;
    let stt: f64 = times_s.iter().map(|t| (t - mean_t).powi(2)).sum();
    if stt <= 0.0 {
        return Err(Unusable::Constant { what: "times" });
    }
    let sty: f64 = times_s.iter().zip(levels).map(|(t, y)| (t - mean_t) * (y - mean_level)).sum();
    let rate = sty / stt;
    let rest: Vec<f64> =
        times_s.iter().zip(levels).map(|(t, y)| y - mean_level - rate * (t - mean_t)).collect();
    let freedom = times_s.len() - 2;
    let scatter = (rest.iter().map(|r| r * r).sum::<f64>() / freedom as f64).sqrt();
    let rate_error = scatter / stt.sqrt();
    let last = times_s.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mean_variance = scatter * scatter / n;
    let level_now_error = (mean_variance + ((last - mean_t) * rate_error).powi(2)).sqrt();
    let all = [rate, scatter, rate_error, level_now_error];
    if all.iter().any(|v| !v.is_finite()) {
        return Err(Unusable::NotDetermined { what: "The rate of the level" });
    }
    Ok(LevelForecast {
        rate,
        rate_error,
        level_now: mean_level + rate * (last - mean_t),
        level_now_error,
        scatter,
        bend: bend(times_s, &rest, mean_t, stt, scatter),
        mean_t,
        mean_level,
        mean_variance,
        quantile: student_95(freedom),
    })
}

/// The reading from which on the level falls at another rate than before: the knot of two straight stretches that meet.
/// None where one straight line does as well, by an F ratio of 25 for the knot that fits best.
///
/// ```
/// use noctule::analysis::forecast::latest_change;
/// let t: Vec<f64> = (0..120).map(|m| 60.0 * f64::from(m)).collect();
/// let wobble = |t: &f64| 0.05 * (t * 0.7129).sin();
/// let steady: Vec<f64> = t.iter().map(|t| 50.0 - t / 14_400.0 + wobble(t)).collect();
/// assert_eq!(latest_change(&t, &steady), None);
/// let leak: Vec<f64> = t.iter().zip(&steady).map(|(t, l)| l - (t - 6000.0).max(0.0) / 300.0).collect();
/// assert!((latest_change(&t, &leak).unwrap() as i32 - 100).abs() <= 1);
/// ```
pub fn latest_change(times_s: &[f64], levels: &[f64]) -> Option<usize> {
    let line = level_forecast(times_s, levels).ok()?;
    let n = times_s.len() as f64;
    let from_mean: Vec<f64> = times_s.iter().map(|t| t - line.mean_t).collect();
    let stt: f64 = from_mean.iter().map(|t| t * t).sum();
    let rest: Vec<f64> =
        from_mean.iter().zip(levels).map(|(t, level)| level - line.mean_level - line.rate * t).collect();
    let squares: f64 = rest.iter().map(|r| r * r).sum();
    let gain = |knot: usize| {
        // What the kink explains of the residuals, after the straight line is taken out of it.
        let hinge = |t: f64| (t - from_mean[knot]).max(0.0);
        let (sum, tilt) = from_mean.iter().fold((0.0, 0.0), |(s, c), t| (s + hinge(*t), c + hinge(*t) * t));
        let (mut shared, mut length) = (0.0, 0.0);
        for (t, r) in from_mean.iter().zip(&rest) {
            let own = hinge(*t) - sum / n - tilt / stt * t;
            (shared, length) = (shared + own * r, length + own * own);
        }
        if length > 0.0 { shared * shared / length } else { 0.0 }
    };
    let knots = 1..times_s.len().saturating_sub(2);
    let (knot, explained) = knots.map(|k| (k, gain(k))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    let left = (squares - explained).max(f64::MIN_POSITIVE) / (n - 3.0);
    (n > 4.0 && explained / left > CHANGED).then_some(knot)
}

/// F ratio above which a change of the rate is believed: five standard errors, for a place is chosen among hundreds.
const CHANGED: f64 = 25.0;

/// The quadratic part of the residuals in its own standard errors.
fn bend(times_s: &[f64], rest: &[f64], mean_t: f64, stt: f64, scatter: f64) -> f64 {
    let n = times_s.len() as f64;
    let cubic: f64 = times_s.iter().map(|t| (t - mean_t).powi(3)).sum::<f64>() / stt;
    let column: Vec<f64> =
        times_s.iter().map(|t| (t - mean_t).powi(2) - stt / n - cubic * (t - mean_t)).collect();
    let length = column.iter().map(|c| c * c).sum::<f64>().sqrt();
    let share = column.iter().zip(rest).map(|(c, r)| c * r).sum::<f64>() / length;
    let value = share / scatter;
    if value.is_finite() { value } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_that_may_not_fall_has_no_latest_time() {
        let t: Vec<f64> = (0..6).map(f64::from).collect();
        let forecast = level_forecast(&t, &[10.0, 10.2, 9.7, 10.1, 9.8, 9.95]).unwrap();
        if let Ok(moment) = forecast.reaches(5.0) {
            assert_eq!(moment.latest_s, None);
            assert!(moment.earliest_s <= moment.at_s);
        }
    }

    #[test]
    fn a_mark_above_a_falling_level_is_never_reached() {
        let t: Vec<f64> = (0..10).map(f64::from).collect();
        let level: Vec<f64> = t.iter().map(|t| 50.0 - t + 0.01 * (t * 3.0).sin()).collect();
        let forecast = level_forecast(&t, &level).unwrap();
        assert!(forecast.reaches(60.0).is_err());
        assert!(forecast.bend.abs() < 3.0);
    }
}
