//! The bench that serves when none is given: the simulated microscope with the shipped world.

use super::{Bench, read};

/// Stands for the file name of the built-in bench in messages and records.
pub const BUILTIN_NAME: &str = "(built-in bench)";

/// The text of the built-in bench, the same as `scripts/bench_simulated.ron`.
pub fn builtin_text() -> &'static str {
    include_str!("../../scripts/bench_simulated.ron")
}

/// The built-in bench.
///
/// # Panics
/// Never in a build whose tests have passed: the file is checked by a test.
pub fn builtin() -> Bench {
    match read(builtin_text(), BUILTIN_NAME) {
        Ok((bench, _)) => bench,
        Err(found) => {
            let list: Vec<String> = found.iter().map(ToString::to_string).collect();
            panic!("the built-in bench is faulty:\n{}", list.join("\n"))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::Role;

    #[test]
    fn the_built_in_bench_is_free_of_faults_and_has_every_role() {
        let (bench, found) = read(builtin_text(), BUILTIN_NAME).unwrap_or_else(|e| panic!("{e:#?}"));
        assert!(found.is_empty(), "{found:#?}");
        for role in Role::ALL {
            assert!(bench.by_role(*role).is_some(), "{role} is missing");
        }
        assert!(bench.is_simulated());
    }

    #[test]
    fn a_hold_that_could_never_clear_is_named() {
        let was = r#"clear: "stage_temperature < 0.4 K", action: Withdraw, patience: "2 min", blind: Hold"#;
        for (clear, faults) in
            [("stage_heater > 1 W", 1), ("stage_heater < -1 uW", 1), ("stage_heater == 0 W", 0)]
        {
            let now = was.replace("stage_temperature < 0.4 K", clear);
            let text = builtin_text().replace(was, &now);
            assert_ne!(text, builtin_text());
            let found = read(&text, BUILTIN_NAME).err().unwrap_or_default();
            let named = found.iter().filter(|d| d.message.starts_with(&format!("`{clear}` can never be so")));
            assert_eq!((named.count(), found.len()), (faults, faults), "{found:#?}");
        }
    }
}
