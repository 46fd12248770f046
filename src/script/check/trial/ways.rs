//! The ways on which a sequence is tried: what is found, what is not, what is rare, what fails.

use crate::quantity::{Dimension, Quantity};
use crate::script::error::{Said, Thrown, wrong};
use crate::script::handles::VerdictHandle;
use rhai::{Array, Engine, ImmutableString, NativeCallContext};
use std::cell::RefCell;
use std::cmp::Ordering;
use std::collections::BTreeSet;
use std::rc::Rc;

/// A way through a sequence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Way {
    /// Whatever is looked for is there.
    Found,
    /// Nothing is.
    Nothing,
    /// Each comparison of quantities or words says the other thing when it is asked for the first time, so that little time,
    /// a warm stage or a guarded tip is met as well; what is attempted is not achieved, and a line is proved. Counts are
    /// compared as ever: they guard lists.
    Contrary,
    /// What stands in a `try` fails the first time.
    Failing,
}

impl Way {
    pub(super) const ALL: [Self; 4] = [Self::Found, Self::Nothing, Self::Contrary, Self::Failing];

    /// What the engine answers otherwise on this way.
    pub(super) fn prepare(self, engine: &mut Engine) {
        engine.set_fast_operators(false);
        if self == Self::Contrary {
            contrary(engine);
        }
        unlike(engine);
    }
}

/// What the language compares without a word though the answer is always no: a text with a number, a list with a number.
fn unlike(engine: &mut Engine) {
    type Told = (&'static str, &'static str);
    fn never<A: Clone + 'static, B: Clone + 'static>(engine: &mut Engine, sign: &str, (what, help): Told) {
        let error = move || -> Result<bool, Thrown> { Err(wrong(Said::with(what, help))) };
        engine.register_fn(sign, move |_: A, _: B| error());
        engine.register_fn(sign, move |_: B, _: A| error());
    }
    let text = ("a text and a number can't be compared", "a value stands without quotes, like 5 or 1.h");
    let list = ("a list can't be compared with a number", "compare list.len(), or one item, list[0]");
    for sign in ["<", ">", "<=", ">="] {
        never::<ImmutableString, i64>(engine, sign, text);
        never::<ImmutableString, f64>(engine, sign, text);
        never::<ImmutableString, Quantity>(engine, sign, text);
        never::<Array, i64>(engine, sign, list);
        never::<Array, f64>(engine, sign, list);
    }
    let flag = ("a text is never true or false", "compare it with a text, like word == \"none\"");
    for sign in ["==", "!="] {
        never::<ImmutableString, bool>(engine, sign, flag);
        never::<Array, i64>(engine, sign, list);
    }
}

/// Places at which something was asked before.
#[derive(Debug, Clone, Default)]
struct Asked(Rc<RefCell<BTreeSet<(usize, usize)>>>);

impl Asked {
    /// The answer, turned round where it is the first at this place.
    fn turned(&self, ctx: &NativeCallContext<'_>, answer: bool) -> bool {
        let at = ctx.call_position();
        let first = self.0.borrow_mut().insert((at.line().unwrap_or(0), at.position().unwrap_or(0)));
        answer != first
    }
}

fn contrary(engine: &mut Engine) {
    let asked = Asked::default();
    type Sign = (&'static str, fn(Ordering) -> bool);
    let signs: [Sign; 6] = [
        ("<", Ordering::is_lt),
        (">", Ordering::is_gt),
        ("<=", Ordering::is_le),
        (">=", Ordering::is_ge),
        ("==", Ordering::is_eq),
        ("!=", Ordering::is_ne),
    ];
    for (sign, holds) in signs {
        let here = asked.clone();
        engine.register_fn(sign, move |ctx: NativeCallContext, a: Quantity, b: Quantity| {
            let order = a.compare(b).map_err(wrong)?;
            Ok::<_, Thrown>(here.turned(&ctx, order.is_some_and(holds)))
        });
        let here = asked.clone();
        engine.register_fn(sign, move |ctx: NativeCallContext, a: ImmutableString, b: ImmutableString| {
            let answer = holds(a.cmp(&b));
            // An empty text says that nothing is the matter, and guards what is said of it.
            if a.is_empty() || b.is_empty() { answer } else { here.turned(&ctx, answer) }
        });
    }
    proved(engine);
}

/// A line is proved, whatever was measured.
fn proved(engine: &mut Engine) {
    engine.register_get("proved", |_: &mut VerdictHandle| true);
    for name in ["moment", "moment_error", "g", "g_error"] {
        engine.register_get(name, |_: &mut VerdictHandle| 1.0);
    }
    for name in ["tip_field", "tip_field_error"] {
        engine.register_get(name, |_: &mut VerdictHandle| Quantity::new(0.03, Dimension::FIELD));
    }
    engine.register_fn("expected", |_: &mut VerdictHandle, _: Quantity| {
        Quantity::new(14e9, Dimension::FREQUENCY)
    });
}
