//! Time of the check of a sequence of 2,000 lines.

use criterion::{Criterion, criterion_group, criterion_main};
use noctule::bench::{BUILTIN_NAME, builtin};
use noctule::script::{Sequence, check};
use std::fmt::Write;

fn long_sequence(lines: usize) -> Sequence {
    let mut text = String::new();
    for i in 0..lines / 10 {
        let _ = write!(
            text,
            "fn look_{i}(bias) {{\n    set(\"Bias\", bias);\n    wait(1.s);\n    read(\"Current\", 5)\n}}\n\
             let bias_{i} = {}.mV;\nstep(\"look {i}\", || {{\n    note(look_{i}(bias_{i} * 2));\n\
             \x20   for k in 0..3 {{ ramp_field(k * 1.mT); }}\n}});\n",
            i % 200
        );
    }
    text.push_str("park();\n");
    Sequence::from_text("long.rhai", &text)
}

fn check_long(criterion: &mut Criterion) {
    let sequence = long_sequence(2_000);
    let bench = builtin();
    assert_eq!(check::check(&sequence, &bench, BUILTIN_NAME), []);
    criterion.bench_function("check of 2,000 lines", |b| {
        b.iter(|| check::check(&sequence, &bench, BUILTIN_NAME));
    });
}

criterion_group!(benches, check_long);
criterion_main!(benches);
