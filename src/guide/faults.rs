//! An example for every code: what triggers it, and what was meant.

/// What triggers a code, and what was meant.
#[derive(Debug, Clone, Copy)]
pub struct Fault {
    /// The code.
    pub code: &'static str,
    /// Lines that trigger it. For bench files they take the place of `right` in the built-in bench.
    pub wrong: &'static str,
    /// What was meant.
    pub right: &'static str,
}

macro_rules! faults {
    ($($code:literal: $wrong:literal => $right:literal;)*) => {
        const FAULTS: &[Fault] = &[$(Fault { code: $code, wrong: $wrong, right: $right },)*];
    };
}

faults! {
    "B01": r#"retry: Retry(attempts: 3 pause: "200 ms"),"# => r#"retry: Retry(attempts: 3, pause: "200 ms"),"#;
    "B02": r#"retry: Retry(atempts: 3, pause: "200 ms"),"# => r#"retry: Retry(attempts: 3, pause: "200 ms"),"#;
    "B03": r#"record_every: "1","# => r#"record_every: "1 min","#;
    "B04": r#"tasks: "microscop","# => r#"tasks: "microscope","#;
    "B05": r#"Set(channel: "bias", to: "5 V"),"# => r#"Set(channel: "bias", to: "50 mV"),"#;
    "B06": r#"set: "field_z", when: "helium_level > 6 K and"# => r#"set: "field_z", when: "helium_level > 6 L and"#;
    "B07": r#"Simulated(world: "nigth")"# => r#"Simulated(world: "night")"#;
    "B08": r#"// the park steps say nothing of the field"# => r#"Keep(channel: "field_z"),"#;
    "B09": r#"messages: [(on: ["finnished"], to: ["mail-the-group"])],"# => r#"messages: [],"#;
    "B10": r#"trip: "chamber_pressure > 1 mbar""# => r#"trip: "frozen(chamber_pressure) > 30 min""#;
    "B11": r#"helium: Helium(volume: "70 L", refill_mark: "10 L"),"# => r#"helium: Helium(volume: "70 L", refill_limit: "10 L"),"#;
    "S01": "noctule check nihgt.rhai" => "noctule check night.rhai";
    "S02": "wait(2.s;" => "wait(2.s);";
    "S03": "aproach();" => "approach();";
    "S04": "wait();" => "wait(2.s);";
    "S05": r#"set("Bais", 60.mV);"# => r#"set("Bias", 60.mV);"#;
    "S06": "let feild = 20.mT;\nramp_field(field);" => "let field = 20.mT;\nramp_field(field);";
    "S07": "wait(5);" => "wait(5.s);";
    "S08": "ramp_field(20.T);" => "ramp_field(20.mT);";
    "S09": "fn wait(x) { note(x); }\nwait(2.s);" => "fn remark(x) { note(x); }\nremark(2.s);";
    "S10": "ramp_field(1 / 2 * 20.mT);" => "ramp_field(1 / 2.0 * 20.mT);";
    "S11": "for x in range(0.0, 1.0, 0.1) { ramp_field(x * 50.mT); }" => "for i in 0..10 { ramp_field(i * 5.mT); }";
    "S12": "let n = 0;\nwhile n < 10 { n += 1; }" => "let n = 0;\nwhile n < 10 { wait(1.s); n += 1; }";
    "S13": "try { approach(); } catch (error) { }" => "try { approach(); } catch (error) { note(error.message); }";
    "S14": "let level = read(\"HeliumLevel\");" => "let level = read(\"HeliumLevel\");\nnote(level);";
    "S15": "stop(\"enough\");\nnote(\"too late\");" => "note(\"in time\");\nstop(\"enough\");";
    "S16": "approach();\nset(\"Bias\", 60.mV);" => "approach();\nset(\"Bias\", 60.mV);\npark();";
    "S17": "note(read(\"LockinY\"));" => "note(read(\"LockinX\"));";
    "S18": "image(#{ size: 10.nm, pixel: 24, line_time: 400.ms });" => "image(#{ size: 10.nm, pixels: 24, line_time: 400.ms });";
    "S19": "import \"../tools\" as tools;" => "// a file in the sequence's own folder:\n// import \"tools\" as tools;";
    "S20": "exit();" => "stop(\"enough\");";
    "S21": "set(\"Current\", 20.pA);" => "set(\"Setpoint\", 20.pA);";
    "S22": "wait(\"2 s\");" => "wait(2.s);";
    "S23": "note(1 / 0);" => "note(1 / 2.0);";
    "S25": "withdraw();\nlet s = sweep(#{ channel: \"Bias\", from: 20.mV, to: 60.mV, points: 9, read: \"Current\" });\nnote(s);" => "approach();\nlet s = sweep(#{ channel: \"Bias\", from: 20.mV, to: 60.mV, points: 9, read: \"Current\" });\nnote(s);";
    "S26": "let fields = [0.1.T, 0.2.T];\nramp_field(fields[2]);" => "let fields = [0.1.T, 0.2.T];\nramp_field(fields[1]);";
    "S27": "let t = trace(\"Current\", 100, 5.ms);\nnote(`${table(t).len()} rows`);" => "let t = trace(\"Current\", 100, 5.ms);\nnote(`${table(t).rows} rows`);";
    "S24": "loop {\n    note(read(\"StageTemperature\"));\n    wait(10.min);\n}" => "for round in 0..20 {\n    note(read(\"StageTemperature\"));\n    wait(10.min);\n}";
}

/// An example for every code.
pub fn faults() -> &'static [Fault] {
    FAULTS
}

/// The example of a code.
pub(super) fn fault(code: &str) -> Option<&'static Fault> {
    FAULTS.iter().find(|fault| fault.code == code)
}
