//! The script engine: what a sequence may use, and how far it may go.

use super::error::ended;
use super::host::Host;
use super::memory::{MOST_ELEMENTS, Memory};
use super::{units, verbs};
use crate::record::{Ending, Outcome, Place};
use rhai::packages::{
    ArithmeticPackage, BasicArrayPackage, BasicFnPackage, BasicIteratorPackage, BasicMapPackage,
    BasicMathPackage, BasicStringPackage, LogicPackage, MoreStringPackage, Package,
};
use rhai::{Dynamic, Engine, OptimizationLevel, Position};
use std::cell::Cell;
use std::rc::Rc;

/// Operations that a script may compute in all between two verbs.
pub const MOST_OPERATIONS_BETWEEN_VERBS: u64 = 50_000_000;
/// Operations after which the driver is told that time has passed.
const OPERATIONS_PER_REPORT: u64 = 1_000;

/// A bare engine: language and arithmetic, without verbs. The packages are chosen by hand: no
/// `eval`, no `sleep`, no clock, no file.
pub fn bare() -> Engine {
    let mut engine = Engine::new_raw();
    ArithmeticPackage::new().register_into_engine(&mut engine);
    LogicPackage::new().register_into_engine(&mut engine);
    BasicStringPackage::new().register_into_engine(&mut engine);
    MoreStringPackage::new().register_into_engine(&mut engine);
    BasicIteratorPackage::new().register_into_engine(&mut engine);
    BasicFnPackage::new().register_into_engine(&mut engine);
    BasicMathPackage::new().register_into_engine(&mut engine);
    BasicArrayPackage::new().register_into_engine(&mut engine);
    BasicMapPackage::new().register_into_engine(&mut engine);
    // The optimiser would drop constant branches before they are checked, or call verbs while compiling.
    engine.set_optimization_level(OptimizationLevel::None);
    engine.disable_symbol("eval");
    engine.set_strict_variables(true);
    engine.set_fail_on_invalid_map_property(true);
    // Debug and release builds have different defaults, so every limit is set.
    engine.set_max_call_levels(64);
    engine.set_max_expr_depths(64, 32);
    engine.set_max_functions(1_000);
    engine.set_max_modules(32);
    engine.set_max_string_size(1 << 20);
    engine.set_max_array_size(MOST_ELEMENTS);
    engine.set_max_map_size(MOST_ELEMENTS);
    engine
}

thread_local! {
    /// Whether what a sequence prints is shown.
    static PRINTS: Cell<bool> = const { Cell::new(true) };
}

/// Sequences that are run by this thread from now on print nothing: the same sequence goes on elsewhere, and a
/// person would read everything twice.
pub fn print_nothing_here() {
    PRINTS.set(false);
}

/// The engine with all verbs, units and types, for one run.
pub fn with_verbs(host: &Rc<Host>) -> Engine {
    let mut engine = bare();
    units::register(&mut engine);
    super::model::register(&mut engine);
    verbs::register(&mut engine, host);
    if PRINTS.get() {
        engine.on_print(|text| eprintln!("{text}"));
        engine.on_debug(|text, _, place| eprintln!("{place}: {text}"));
    } else {
        engine.on_print(|_| {});
        engine.on_debug(|_, _, _| {});
    }
    let memory = Rc::new(Memory::default());
    watch_progress(&mut engine, Rc::clone(host), Rc::clone(&memory));
    watch_memory(&mut engine, memory);
    engine
}

/// Lets the driver know that the script computes; ends it when the run is over.
fn watch_progress(engine: &mut Engine, host: Rc<Host>, memory: Rc<Memory>) {
    let reported = Cell::new(0_u64);
    // The number of calls, and the operations when it last changed.
    let last_call = Cell::new((0_u64, 0_u64));
    engine.on_progress(move |operations| {
        memory.computed(operations);
        let since = operations.saturating_sub(reported.get());
        if since < OPERATIONS_PER_REPORT {
            return None;
        }
        reported.set(operations);
        // While a verb works, the port is busy and time passes by itself.
        let ending = host.port.try_borrow_mut().ok()?.computed(since);
        if ending.is_none() {
            let (calls, at) = last_call.get();
            if calls != host.calls() {
                last_call.set((host.calls(), operations));
            } else if operations.saturating_sub(at) > MOST_OPERATIONS_BETWEEN_VERBS {
                return Some(Dynamic::from(computed_too_long()));
            }
        }
        ending.map(Dynamic::from)
    });
}

/// Ends a sequence that holds too much.
#[allow(deprecated, reason = "`on_var` is marked so because it may change, not because it goes")]
fn watch_memory(engine: &mut Engine, memory: Rc<Memory>) {
    engine.on_var(move |_, _, context| {
        match memory.look(context.call_level(), context.scope(), context.this_ptr()) {
            Ok(()) => Ok(None),
            Err(excess) => Err(ended(failed(excess.reason()), Position::NONE)),
        }
    });
}

fn computed_too_long() -> Ending {
    failed("the sequence computed for very long without calling a verb".to_owned())
}

fn failed(reason: String) -> Ending {
    Ending { outcome: Outcome::Failed, reason, place: Place::default(), latched: false }
}
