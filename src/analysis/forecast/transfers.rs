//! What was used of a level that is filled up now and then.

/// Readings that are averaged at each end of a stretch: a single one has the whole noise of the gauge.
const AT_EACH_END: usize = 15;
/// Part of the rise that counts as a transfer within which a reading still belongs to the lowest level before it.
const STILL_LOW: f64 = 0.1;

/// What was used, and since when nothing was filled in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelUse {
    /// Used in all, in the unit of the levels; never below zero. What came in by transfers does not count against it.
    pub used: f64,
    /// Filled in by transfers, in the same unit.
    pub filled: f64,
    /// Place of the first reading after the last transfer; 0 if there was none.
    pub since: usize,
}

/// Adds up the falls of a level between transfers. `levels` are pairs of time and level in order of time. Of some
/// transfers it is `known` which reading is the first in it and which the first after it (none while it goes on);
/// besides, a rise by more than `transfer` above the lowest level is one, and less is the noise of the gauge. During a
/// transfer the level can't show what is lost: it is taken to go on as it did on average outside of transfers.
///
/// ```
/// use noctule::analysis::forecast::level_use;
/// let level = |m: usize| 40.0 - m as f64 / 60.0 + if m > 240 { 30.0 } else { 0.0 };
/// let levels: Vec<(f64, f64)> = (0..=480).map(|m| (60.0 * m as f64, level(m))).collect();
/// let found = level_use(&levels, 3.5, &[]);
/// assert!((found.used - 8.0).abs() < 0.03 && (found.filled - 30.0).abs() < 0.03);
/// assert_eq!(found.since, 241);
/// ```
pub fn level_use(levels: &[(f64, f64)], transfer: f64, known: &[(usize, Option<usize>)]) -> LevelUse {
    let mut found = LevelUse { used: 0.0, filled: 0.0, since: 0 };
    let Some((_, mut lowest)) = levels.first().copied() else { return found };
    let mut still_s = 0.0;
    // Rise and length of each transfer.
    let mut transfers: Vec<(f64, f64)> = Vec::new();
    let mut at = 0;
    while at < levels.len() {
        let level = levels[at].1;
        let held = known.iter().find(|(first, after)| *first == at && after.is_none_or(|after| after >= at));
        let bounds = if let Some((_, after)) = held {
            Some((
                at.saturating_sub(1).max(found.since),
                after.unwrap_or(usize::MAX).clamp(at, levels.len() - 1),
            ))
        } else if level > lowest + transfer {
            let low = levels[found.since..at].iter().rposition(|l| l.1 <= lowest + STILL_LOW * transfer);
            // The level goes on rising until the transfer is over.
            let rising = levels[at..].windows(2).take_while(|pair| pair[1].1 > pair[0].1).count();
            Some((found.since + low.unwrap_or(0), at + rising))
        } else {
            None
        };
        if let Some((low, high)) = bounds {
            found.used += fall(&levels[found.since..=low]);
            still_s += levels[low].0 - levels[found.since].0;
            transfers.push((levels[high].1 - levels[low].1, levels[high].0 - levels[low].0));
            // What was low before it says nothing any more.
            (at, found.since, lowest) = (high, high, levels[high].1);
        } else {
            lowest = lowest.min(level);
        }
        at += 1;
    }
    found.used += fall(&levels[found.since..]);
    still_s += levels[levels.len() - 1].0 - levels[found.since].0;
    let rate = if still_s > 0.0 { found.used / still_s } else { 0.0 };
    for (rise, length_s) in transfers {
        // Where somebody came and filled nothing in, the level itself shows what was lost.
        let filled = rise + rate * length_s;
        found.used += if filled > 0.0 { rate * length_s } else { -rise };
        found.filled += filled.max(0.0);
    }
    found
}

/// From the mean of the first readings to that of the last, over the whole time.
fn fall(levels: &[(f64, f64)]) -> f64 {
    let (Some(first), Some(last)) = (levels.first(), levels.last()) else { return 0.0 };
    let count = AT_EACH_END.min(levels.len() / 2).max(1);
    let mean = |part: &[(f64, f64)]| {
        let n = part.len() as f64;
        (part.iter().map(|l| l.0).sum::<f64>() / n, part.iter().map(|l| l.1).sum::<f64>() / n)
    };
    let ((t0, before), (t1, after)) = (mean(&levels[..count]), mean(&levels[levels.len() - count..]));
    let whole = if t1 > t0 { (last.0 - first.0) / (t1 - t0) } else { 1.0 };
    ((before - after) * whole).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A gauge that shows steps of 0.1 L with a scatter of about 0.1 L, read every minute.
    fn shown(minute: usize, litres: f64) -> (f64, f64) {
        let t = minute as f64;
        let wobble = 0.1 * ((t * 0.7129).sin() + (t * 2.911).cos());
        (60.0 * t, ((litres + wobble) * 10.0).round() / 10.0)
    }

    #[test]
    fn the_use_is_what_was_lost_whatever_was_filled_in() {
        for transfers in 0..=3 {
            let (mut litres, mut lost) = (45.0, 0.0);
            let levels: Vec<_> = (0..40 * 60)
                .map(|m| {
                    let hour = m / 60;
                    // A litre a minute for twenty minutes, every ten hours.
                    let fills = hour % 10 == 9 && m % 60 < 20 && hour / 10 < transfers;
                    litres += if fills { 1.0 } else { 0.0 } - 0.25 / 60.0;
                    lost += 0.25 / 60.0;
                    shown(m, litres)
                })
                .collect();
            let found = level_use(&levels, 3.5, &[]);
            // Twice the scatter at each of the ends, and what boiled off while it was filled.
            let error = 0.2 * (1.0 + transfers as f64);
            assert!((found.used - lost).abs() < error, "{transfers}: {found:?}, {lost}");
            assert!(
                (found.filled - 20.0 * transfers as f64).abs() < 0.4 * transfers as f64 + 1e-9,
                "{found:?}"
            );
        }
    }

    /// A known transfer is not found a second time just behind it, for then the noise of single readings would count.
    #[test]
    fn a_known_transfer_counts_once() {
        let level = |m: usize| 58.0 - m as f64 / 60.0 + if m > 480 { 10.0 } else { 0.0 };
        let mut levels: Vec<_> = (0..960).map(|m| (60.0 * m as f64, level(m))).collect();
        // The reading after the next one is low by half a litre.
        levels[484].1 -= 0.5;
        let found = level_use(&levels, 3.5, &[(480, Some(482))]);
        assert_eq!(found.since, 482);
        assert!((found.used - 959.0 / 60.0).abs() < 0.05, "{found:?}");
    }

    #[test]
    fn a_few_readings_are_no_use_below_zero() {
        assert_eq!(level_use(&[], 1.0, &[]).used, 0.0);
        assert_eq!(level_use(&[(0.0, 5.0)], 1.0, &[]).used, 0.0);
        assert_eq!(level_use(&[(0.0, 5.0), (60.0, 5.1)], 1.0, &[]).used, 0.0);
        assert!((level_use(&[(0.0, 5.1), (60.0, 5.0)], 1.0, &[]).used - 0.1).abs() < 1e-12);
    }
}
