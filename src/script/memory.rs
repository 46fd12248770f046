//! How much a sequence may hold in its variables.
//!
//! The engine measures what functions give back and what operators make, but not what grows by assignment:
//! `m[k] = v`, `a[0] = a`. So every few operations, when a variable is looked up, everything that the running
//! functions hold is measured here. Looking is bounded by what may be held, and growth between two looks by
//! what so few operations can copy.

use super::numbers::{self, MOST_HELD};
use rhai::{Array, Dynamic, FnPtr, Map, Scope};
use std::cell::{Cell, RefCell};
use std::collections::BTreeSet;

/// What all variables of a sequence may hold, bytes. Functions that call each other too fast for a look at each
/// may hold more, within what the engine allows for each value and for the depth of calls.
pub const MOST_BYTES: usize = 8 << 20;
/// Elements of a list and entries of a map, with all that they hold: bulk data stays in native handles.
pub const MOST_ELEMENTS: usize = 20_000;
/// Values within values within values: deeper than this nobody can follow, and cleaning up would overflow the stack.
const DEEPEST: usize = 32;
/// Operations between two looks. A list assigned into itself doubles with every six or so.
const OPERATIONS_PER_LOOK: u64 = 16;
/// The same where much is held and looking takes its time.
const OPERATIONS_PER_LONG_LOOK: u64 = 48;
/// From here on much is held, bytes.
const MUCH_BYTES: usize = 32 << 10;
/// A value, and an element of a list.
const VALUE_BYTES: usize = size_of::<Dynamic>();
/// An entry of a map: the value, the key, and its share of the tree.
const ENTRY_BYTES: usize = VALUE_BYTES + 48;

/// Why a sequence holds too much.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Excess {
    Bytes,
    Held,
    Elements,
    Depth,
}

impl Excess {
    pub(super) fn reason(self) -> String {
        match self {
            Excess::Bytes => {
                format!("the sequence holds more than {} MB in its variables", MOST_BYTES >> 20)
            }
            Excess::Held => {
                format!("tables and rows of numbers hold more than {} MB together", MOST_HELD >> 20)
            }
            Excess::Elements => {
                format!("a list or a map holds more than {MOST_ELEMENTS} values; sweeps hold more than that")
            }
            Excess::Depth => format!("a variable holds lists or maps nested more than {DEEPEST} deep"),
        }
    }
}

/// What the functions that call each other hold now.
#[derive(Debug, Default)]
pub(super) struct Memory {
    operations: Cell<u64>,
    next_look: Cell<u64>,
    /// The level of calls of the last look.
    level: Cell<usize>,
    /// For each level of calls: what its variables hold alone, and what they share with other levels.
    levels: RefCell<Vec<(usize, usize)>>,
}

impl Memory {
    /// So many operations have been computed.
    pub(super) fn computed(&self, operations: u64) {
        self.operations.set(operations);
    }

    /// Looks at what the function at this level of calls sees, if it is time to.
    pub(super) fn look(&self, level: usize, scope: &Scope<'_>, this: Option<&Dynamic>) -> Result<(), Excess> {
        // Rows of numbers are counted where they are made; one operation can make a large one.
        if numbers::held() > MOST_HELD {
            return Err(Excess::Held);
        }
        let operations = self.operations.get();
        if operations < self.next_look.get() {
            return Ok(());
        }
        let mut sum = Sum::default();
        for (_, _, value) in scope.iter_raw() {
            sum.elements = 0;
            sum.add(value, 0)?;
        }
        if let Some(this) = this {
            sum.elements = 0;
            sum.add(this, 0)?;
        }
        // While functions call each other looks stay frequent, or a recursion would leave levels unseen.
        let settled = self.level.replace(level) == level;
        let much = settled && sum.own + sum.shared > MUCH_BYTES;
        let until = if much { OPERATIONS_PER_LONG_LOOK } else { OPERATIONS_PER_LOOK };
        self.next_look.set(operations + until);
        let mut levels = self.levels.borrow_mut();
        levels.resize(level + 1, (0, 0));
        levels[level] = (sum.own, sum.shared);
        let own: usize = levels.iter().map(|(own, _)| own).sum();
        let shared = levels.iter().map(|(_, shared)| *shared).max().unwrap_or(0);
        if own + shared > MOST_BYTES { Err(Excess::Bytes) } else { Ok(()) }
    }
}

/// What values hold.
#[derive(Default)]
struct Sum {
    own: usize,
    shared: usize,
    within_shared: bool,
    /// Of the variable in hand.
    elements: usize,
    /// Where shared values lie that were added already: closures may hold themselves.
    met: BTreeSet<usize>,
}

impl Sum {
    fn count(&mut self, bytes: usize) -> Result<(), Excess> {
        let sum = if self.within_shared { &mut self.shared } else { &mut self.own };
        *sum += bytes;
        if *sum > MOST_BYTES { Err(Excess::Bytes) } else { Ok(()) }
    }

    /// So many elements of this size.
    fn hold(&mut self, elements: usize, bytes: usize) -> Result<(), Excess> {
        self.elements += elements;
        if self.elements > MOST_ELEMENTS {
            return Err(Excess::Elements);
        }
        self.count(elements * bytes)
    }

    fn add(&mut self, value: &Dynamic, depth: usize) -> Result<(), Excess> {
        if depth > DEEPEST {
            return Err(Excess::Depth);
        }
        if value.is_shared() {
            return self.add_shared(value, depth);
        }
        self.count(VALUE_BYTES)?;
        if is_plain(value) {
            return Ok(());
        }
        if let Ok(text) = value.as_immutable_string_ref() {
            return self.count(text.len());
        }
        if let Some(array) = value.read_lock::<Array>() {
            self.hold(array.len(), VALUE_BYTES)?;
            return array
                .iter()
                .filter(|item| !is_plain(item))
                .try_for_each(|item| self.add(item, depth + 1));
        }
        if let Some(map) = value.read_lock::<Map>() {
            self.hold(map.len(), ENTRY_BYTES)?;
            for (key, item) in &*map {
                self.count(key.len())?;
                if !is_plain(item) {
                    self.add(item, depth + 1)?;
                }
            }
            return Ok(());
        }
        if let Some(function) = value.read_lock::<FnPtr>() {
            return function.iter_curry().try_for_each(|item| self.add(item, depth + 1));
        }
        Ok(())
    }

    fn add_shared(&mut self, value: &Dynamic, depth: usize) -> Result<(), Excess> {
        // A function at work on it holds it; it is counted when that is done.
        let Some(inner) = value.read_lock::<Dynamic>() else { return Ok(()) };
        if !self.met.insert(std::ptr::from_ref(&*inner).addr()) {
            return Ok(());
        }
        let outside = std::mem::replace(&mut self.within_shared, true);
        let added = self.add(&inner, depth + 1);
        self.within_shared = outside;
        added
    }
}

/// A value that holds nothing beyond itself.
fn is_plain(value: &Dynamic) -> bool {
    value.is_int() || value.is_float() || value.is_bool() || value.is_unit()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn look(memory: &Memory, operations: u64, level: usize, value: Dynamic) -> Result<(), Excess> {
        let mut scope = Scope::new();
        scope.push_dynamic("v", value);
        memory.computed(operations);
        memory.look(level, &scope, None)
    }

    #[test]
    fn levels_add_up_and_are_forgotten_when_their_function_returns() {
        let memory = Memory::default();
        let third = || Dynamic::from("x".repeat(MOST_BYTES / 3));
        assert_eq!(look(&memory, 100, 0, third()), Ok(()));
        assert_eq!(look(&memory, 200, 1, third()), Ok(()));
        assert_eq!(look(&memory, 300, 2, third()), Err(Excess::Bytes));
        assert_eq!(look(&memory, 400, 1, third()), Ok(()));
        assert_eq!(look(&memory, 410, 2, third()), Ok(()), "it is not time yet");
    }

    #[test]
    fn lists_and_maps_are_measured() {
        let list: Dynamic = vec![Dynamic::from(1_i64); 1000].into();
        let mut map = Map::new();
        (0..1000).for_each(|i| drop(map.insert(format!("key {i}").into(), Dynamic::from(i as i64))));
        for (value, least) in [(list, 16_000), (Dynamic::from(map), 64_000)] {
            let mut sum = Sum::default();
            sum.add(&value, 0).unwrap();
            assert!((least..2 * least).contains(&sum.own), "{}: {} bytes", value.type_name(), sum.own);
        }
    }

    #[test]
    fn depth_is_bounded_and_what_holds_itself_is_counted_once() {
        let mut nested = Dynamic::from(0_i64);
        for _ in 0..40 {
            nested = vec![nested].into();
        }
        assert_eq!(Sum::default().add(&nested, 0), Err(Excess::Depth));
        let cell = Dynamic::from(0_i64).into_shared();
        let mut function = FnPtr::new("f").unwrap();
        function.add_curry(cell.clone());
        *cell.clone().write_lock::<Dynamic>().unwrap() = Dynamic::from(function);
        let mut sum = Sum::default();
        sum.add(&cell, 0).unwrap();
        assert!(sum.own == 0 && sum.shared < 100);
    }
}
