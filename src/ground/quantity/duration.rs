//! Durations in the words people use: `1 h 20 min`, not `4800 s`.

/// A duration in words, to the precision that matters at its size.
///
/// ```
/// use noctule_ground::quantity::in_words;
/// assert_eq!(in_words(0.25), "250 ms");
/// assert_eq!(in_words(42.0), "42 s");
/// assert_eq!(in_words(4800.0), "1 h 20 min");
/// assert_eq!(in_words(200_000.0), "2 d 7 h");
/// ```
pub fn in_words(seconds: f64) -> String {
    if !seconds.is_finite() {
        return "an unknown time".to_owned();
    }
    if seconds < 0.0 {
        return format!("minus {}", in_words(-seconds));
    }
    if seconds < 1.0 {
        return format!("{} ms", (seconds * 1e3).round());
    }
    if seconds < 10.0 {
        return format!("{} s", (seconds * 10.0).round() / 10.0);
    }
    let whole = seconds.round() as u64;
    let (days, hours, minutes, rest) = (whole / 86_400, whole / 3600 % 24, whole / 60 % 60, whole % 60);
    match (days, hours, minutes) {
        (0, 0, 0) => format!("{rest} s"),
        (0, 0, 1..=9) => format!("{minutes} min {rest:02} s"),
        (0, 0, _) => format!("{minutes} min"),
        (0, _, _) => format!("{hours} h {minutes:02} min"),
        _ => format!("{days} d {hours} h"),
    }
}
