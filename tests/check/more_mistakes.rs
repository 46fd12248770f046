//! More mistakes of a first evening: tables, options of a sweep, fits, cards and results, order and brackets.

use crate::mistakes::Mistake;

/// What stands for `SWEEP` and `SPECTRUM` in a text: one line, and two.
pub const BEGINNINGS: [(&str, &str); 2] = [
    ("SPECTRUM", "SWEEP\nlet line = spectrum(s, \"Current\");"),
    (
        "SWEEP",
        "let s = sweep(#{ channel: \"Bias\", from: 20.mV, to: 60.mV, points: 9, passes: 3, read: \"Current\" });",
    ),
];

pub const MORE: &[Mistake] = &[
    // Tables.
    Mistake(
        "a spectrum without its channel",
        "SWEEP\nlet line = spectrum(s);\nnote(line);",
        2,
        "spectrum(sweep, channel)",
    ),
    Mistake(
        "two tables averaged without a list",
        "SPECTRUM\nlet mean = average(line, line);\nnote(mean);",
        3,
        "write [first, second]",
    ),
    Mistake(
        "a table given to the record without a name",
        "SPECTRUM\nrecord_table(line);",
        3,
        "record_table(name, table)",
    ),
    Mistake(
        "name and table the wrong way round",
        "SPECTRUM\nrecord_table(line, \"line\");",
        3,
        "a text stands in double quotes, \"…\"",
    ),
    Mistake(
        "a histogram without bins",
        "let t = trace(\"Current\", 100, 5.ms);\nlet h = histogram(t);\nnote(h.rows);",
        2,
        "histogram(what, bins)",
    ),
    Mistake(
        "a trace without its distance",
        "let t = trace(\"Current\", 100);\nnote(t.numbers.mean);",
        1,
        "trace(channel, samples, every)",
    ),
    // Options of a sweep.
    Mistake(
        "values and ends together",
        "let s = sweep(#{ channel: \"Bias\", values: [1.mV, 2.mV], from: 1.mV, to: 5.mV, points: 9, read: \"Current\" });\nnote(s);",
        1,
        "values",
    ),
    Mistake(
        "an error without its channel",
        "let s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 9, read: \"Current\", passes: 5, until_error: 20.fA });\nnote(s);",
        1,
        "write #{ channel: …, error: … }",
    ),
    Mistake(
        "an error of another kind",
        "let s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 9, read: \"Current\", passes: 5, until_error: #{ channel: \"Current\", error: 20.mV } });\nnote(s);",
        1,
        "pA",
    ),
    Mistake(
        "a stop rule that is no function",
        "let s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 9, read: \"Current\", stop_after_point: read(\"Current\") > 5.pA });\nnote(s);",
        1,
        "write || { … }",
    ),
    Mistake(
        "a channel moved along that can only be read",
        "let s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 9, read: \"Current\", along: #{ channel: \"Current\", from: 1.pA, to: 2.pA } });\nnote(s);",
        1,
        "Setpoint",
    ),
    Mistake(
        "a channel moved along without a unit",
        "let s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 9, read: \"Current\", along: #{ channel: \"Setpoint\", from: 8, to: 12 } });\nnote(s);",
        1,
        "8.pA",
    ),
    Mistake(
        "a time for a dwell without a unit",
        "let s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 9, read: \"Current\", dwell: 2 });\nnote(s);",
        1,
        "2.s",
    ),
    Mistake(
        "an average with a unit",
        "let s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 9, read: \"Current\", average: 2.s });\nnote(s);",
        1,
        "write it without a unit",
    ),
    Mistake(
        "a condition that is asked once",
        "if !wait_until(read(\"StageTemperature\") < 0.5.K, 5.min) { note(\"warm\"); }",
        1,
        "||",
    ),
    Mistake(
        "a wait without an end",
        "if !wait_until(|| read(\"StageTemperature\") < 0.5.K) { note(\"warm\"); }",
        1,
        "wait_until(condition, at_most)",
    ),
    // Fits.
    Mistake(
        "a shape that is not there",
        "SPECTRUM\nlet f = fit_shape(\"lorentz\", line, \"Current\");\nnote(f.trusted);",
        3,
        "lorentzian",
    ),
    Mistake(
        "channel and shape the wrong way round",
        "SPECTRUM\nlet f = fit_shape(line, \"line\", \"Current\");\nnote(f.trusted);",
        3,
        "a text stands in double quotes, \"…\"",
    ),
    Mistake(
        "the error of a fit with a point",
        "SPECTRUM\nlet f = fit_shape(\"line\", line, \"Current\");\nnote(f.slope_err);",
        4,
        "slope",
    ),
    Mistake(
        "a model that is a text",
        "SPECTRUM\nlet f = fit_own(line, \"Current\", #{ a: 1.pA }, \"a\");\nnote(f.trusted);",
        3,
        "write || { … }",
    ),
    // Cards and results.
    Mistake(
        "a card of a figure that is not there",
        "about(\"plot\", \"a line\");",
        1,
        "there are map, field, power, line, level",
    ),
    Mistake("a card without its title", "about(\"field\");", 1, "about(figure, title"),
    Mistake(
        "a result of nothing without a reason",
        "result(\"nothing\");",
        1,
        "it is result(what, about), as in result(",
    ),
    Mistake("a note of two texts", "let x = 3;\nnote(\"x is\", x);", 2, "note(text)"),
    Mistake("a step without its body", "step(\"first\");", 1, "step(name"),
    Mistake(
        "a decision without its question",
        "if decide(read(\"HeliumLevel\") > 5.L) { note(\"yes\"); }",
        1,
        "decide(question, answer",
    ),
    Mistake("a stop without a reason", "if read(\"HeliumLevel\") < 5.L { stop(); }", 1, "stop(reason)"),
    // Order and brackets.
    Mistake(
        "a channel read without brackets round its name",
        "note(read \"HeliumLevel\");",
        1,
        "put a `,` between two values, or close t",
    ),
    Mistake("a list left open", "let fields = [0.1.T, 0.2.T;\nramp_field(fields[0]);", 1, "]"),
    Mistake("a map left open", "let plan = #{ from: 1.mV, to: 5.mV;\nnote(plan.from);", 1, "}"),
    Mistake("a comma left out of a list", "let fields = [0.1.T 0.2.T];\nramp_field(fields[0]);", 1, "`,`"),
    Mistake("a comma left out of a map", "let plan = #{ from: 1.mV to: 5.mV };\nnote(plan.from);", 1, "`,`"),
    Mistake("a place on the surface as a pair", "go_to([1.nm, 2.nm]);", 1, "go_to(x, y)"),
    Mistake(
        "an image without a size",
        "let picture = image(#{ pixels: 24, line_time: 400.ms });\nnote(picture);",
        1,
        "size",
    ),
    Mistake("spots of a sweep", "SWEEP\nlet spots = find_spots(s);\nnote(spots.len());", 2, "image"),
    Mistake(
        "the first of no spots by its number from one",
        "let fields = [0.1.T];\nramp_field(fields[1]);",
        2,
        "[0]",
    ),
    Mistake("a dot for a comma in a number", "wait(1,5.s);", 1, "wait(time)"),
    Mistake("a level without dBm", "set(\"RfLevel\", -12);", 1, "-12.dBm"),
    Mistake("a frequency in MHz twice", "set(\"RfFrequency\", 14200);", 1, "GHz"),
    Mistake(
        "a constant that is given another value",
        "const BIAS = 5.mV;\nBIAS = 6.mV;\nset(\"Bias\", BIAS);",
        2,
        "let",
    ),
];
