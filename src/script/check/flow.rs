//! Loops, conditions, catch blocks, and what comes after the end.

use super::program::{changed_in, start};
use super::value::Value;
use super::walk::{Tail, Walk};
use crate::diagnostic::Code;
use crate::script::host::MOST_CALLS_WITHOUT_TIME;
use crate::script::registry::{self, Deed};
use rhai::{ASTFlags, ASTNode, Expr, FlowControl, FnCallExpr, Stmt};
use std::collections::BTreeSet;

/// Whether nothing after this statement is ever reached.
pub(super) fn diverges(statement: &Stmt) -> bool {
    match statement {
        Stmt::Return(..) | Stmt::BreakLoop(..) => true,
        Stmt::FnCall(call, _) => is_stop(call),
        Stmt::Expr(expr) => matches!(&**expr, Expr::FnCall(call, _) if is_stop(call)),
        Stmt::Block(block) => block.statements().iter().any(diverges),
        Stmt::If(parts, _) => {
            parts.body.statements().iter().any(diverges) && parts.branch.statements().iter().any(diverges)
        }
        Stmt::While(parts, _) => is_endless(&parts.expr) && !leaves(parts.body.statements()),
        _ => false,
    }
}

fn is_stop(call: &FnCallExpr) -> bool {
    call.name == "stop" && call.args.len() == 1 && !call.is_qualified()
}

/// Whether a loop's condition never ends it.
fn is_endless(condition: &Expr) -> bool {
    matches!(condition, Expr::Unit(_) | Expr::BoolConstant(true, _))
}

/// Whether a loop's body has a way out of the loop. A `break` of an inner loop counts as well: better to
/// say nothing than something wrong.
pub(super) fn leaves(body: &[Stmt]) -> bool {
    ways_out(body) != Ways::None
}

/// How a loop can be left from within.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ways {
    /// Not at all.
    None,
    /// Only under a condition on the time that is left.
    OnlyTime,
    /// In some other way.
    Other,
}

/// Looks for `break`, `return`, `throw` and `stop`, and for the conditions around each.
fn ways_out(body: &[Stmt]) -> Ways {
    let mut ways = Ways::None;
    for statement in body {
        statement.walk(&mut Vec::new(), &mut |path: &[ASTNode]| {
            let out = match path.last() {
                Some(ASTNode::Stmt(Stmt::BreakLoop(_, flags, _))) => flags.contains(ASTFlags::BREAK),
                Some(ASTNode::Stmt(Stmt::Return(..))) => true,
                Some(ASTNode::Stmt(Stmt::FnCall(call, _)) | ASTNode::Expr(Expr::FnCall(call, _))) => {
                    call.name == "stop"
                }
                _ => false,
            };
            if out {
                let timed = path.iter().any(
                    |node| matches!(node, ASTNode::Stmt(Stmt::If(parts, _)) if is_only_time(&parts.expr)),
                );
                ways = if timed && ways != Ways::Other { Ways::OnlyTime } else { Ways::Other };
            }
            true
        });
    }
    ways
}

/// Whether a condition asks for the time, or for what only time changes.
fn asks_time(condition: &Expr) -> bool {
    let mut asks = false;
    condition.walk(&mut Vec::new(), &mut |path: &[ASTNode]| {
        if let Some(ASTNode::Expr(Expr::FnCall(call, _))) = path.last() {
            asks |= matches!(call.name.as_str(), "time_left" | "elapsed" | "helium_left");
        }
        true
    });
    asks
}

/// Whether a condition asks `time_left()` and nothing else that could change.
fn is_only_time(condition: &Expr) -> bool {
    let (mut asks, mut other) = (false, false);
    condition.walk(&mut Vec::new(), &mut |path: &[ASTNode]| {
        match path.last() {
            Some(ASTNode::Expr(Expr::FnCall(call, _))) if call.name == "time_left" => asks = true,
            Some(ASTNode::Expr(Expr::And(..) | Expr::Or(..))) => other = true,
            _ => {}
        }
        true
    });
    asks && !other
}

impl<'a> Walk<'a> {
    /// The condition of an `if` or a loop.
    pub(super) fn condition(&mut self, expr: &'a Expr) {
        if let Expr::BoolConstant(false, at) = expr {
            let help = "comment the lines out, or take them out";
            self.warn(Code::Unreachable, *at, "this condition never holds", help);
        }
        let value = self.evaluate(expr);
        if matches!(value, Value::Flag(_) | Value::Unknown | Value::Nothing) {
            return;
        }
        if let Some(what) = value.describe() {
            let help = Some("a condition is a comparison, like `x > 5`".to_owned());
            let message = format!("a condition must be true or false, not {what}");
            self.report(Code::WrongKind, start(expr), message, help);
        }
    }

    /// A loop.
    pub(super) fn repeat(&mut self, statement: &'a Stmt) {
        match statement {
            Stmt::While(parts, at) => {
                if !matches!(parts.expr, Expr::Unit(_)) {
                    self.condition(&parts.expr);
                }
                self.block(parts.body.statements(), Tail::Lost);
                self.loop_without_verb(statement, &parts.expr, &parts.body, *at);
                self.loop_without_window(statement, &parts.expr, &parts.body, *at);
            }
            Stmt::Do(parts, _, at) => {
                self.block(parts.body.statements(), Tail::Lost);
                self.condition(&parts.expr);
                self.loop_without_verb(statement, &parts.expr, &parts.body, *at);
                self.loop_without_window(statement, &parts.expr, &parts.body, *at);
            }
            Stmt::For(parts, _) => {
                let (item, counter, control) = &**parts;
                let items = self.evaluate(&control.expr);
                if let Some((number, _)) = items.as_quantity() {
                    let end = number.map_or("n".to_owned(), |number| number.to_string());
                    let message = "a `for` goes through a list or a range, not through one number";
                    let help = Some(format!("write for {} in 0..{end} {{ … }}", item.name));
                    self.report(Code::WrongKind, start(&control.expr), message, help);
                }
                let counts = |name: &str| matches!(name, "i" | "j" | "k" | "n" | "index" | "idx" | "number");
                if counter.as_ref().is_some_and(|counter| counts(&item.name) && !counts(&counter.name)) {
                    let other = counter.as_ref().map_or("", |counter| counter.name.as_str());
                    let help = format!("write for ({other}, {}) in …", item.name);
                    self.warn(Code::WrongKind, item.pos, "the item comes first, then its number", &help);
                }
                let each = self.each(&control.expr, &items);
                self.records_in_passes(statement, control);
                self.open();
                self.declare(&item.name, item.pos, each, false);
                if let Some(counter) = counter {
                    self.declare(&counter.name, counter.pos, Value::number(None, true), false);
                }
                self.block(control.body.statements(), Tail::Lost);
                self.close();
            }
            _ => {}
        }
    }

    fn loop_without_verb(
        &mut self,
        statement: &Stmt,
        condition: &Expr,
        body: &rhai::StmtBlock,
        at: rhai::Position,
    ) {
        let endless = self.never_changes(condition, body.statements());
        let endless = (endless || is_endless(condition)) && !leaves(body.statements());
        if self.reaches_verb([statement]) {
            let only_time = asks_time(condition)
                || (is_endless(condition) && ways_out(body.statements()) == Ways::OnlyTime);
            if (endless || only_time) && !self.passes_time(statement) {
                let help =
                    "put wait(1.s) into it, or another verb that takes time, and a way out with `break`";
                let message = if endless {
                    "this loop never ends, and no time passes in it: it would fill the record"
                } else {
                    "this loop waits for time to pass, and lets none pass: it would fill the record"
                };
                self.report(Code::LoopWithoutVerb, at, message, Some(help.to_owned()));
            }
            return;
        }
        if endless {
            let help = "use a verb that lets time pass, like wait(1.s), and a way out with `break`";
            let message = "this loop never ends and never reaches a verb";
            self.report(Code::LoopWithoutVerb, at, message, Some(help.to_owned()));
        } else {
            let help =
                "if it waits for something, put wait(1.s) into it; a `for` loop always comes to an end";
            let message = "there is no verb in this loop: while it runs, nothing is measured";
            self.warn(Code::LoopWithoutVerb, at, message, help);
        }
    }

    /// A `for` loop that certainly records more often than is permitted while no time passes.
    fn records_in_passes(&mut self, statement: &Stmt, control: &'a FlowControl) {
        let tells = |statement: &Stmt| match statement {
            Stmt::FnCall(call, _) => registry::find(&call.name).is_some_and(|v| v.nature.deed == Deed::Tells),
            _ => false,
        };
        let body = control.body.statements();
        let Some(passes) = self.passes(&control.expr) else { return };
        let most = f64::from(MOST_CALLS_WITHOUT_TIME);
        if passes > most && body.iter().any(tells) && !leaves(body) && !self.passes_time(statement) {
            let message = format!("this loop would record {passes} times while no time passes");
            let help = format!("a sequence is ended after {most} such records; put wait(1.s) into the loop");
            self.report(Code::LoopWithoutVerb, control.expr.position(), message, Some(help));
        }
    }

    /// How many items a `for` loop has, if that is known.
    pub(super) fn passes(&mut self, expr: &'a Expr) -> Option<f64> {
        if let Expr::FnCall(call, _) = expr
            && let [from, to] = call.args.as_slice()
            && call.name.starts_with("..")
        {
            let (from, to) = (self.evaluate(from).as_quantity()?.0?, self.evaluate(to).as_quantity()?.0?);
            let last = if call.name == "..=" { 1.0 } else { 0.0 };
            return Some((to - from + last).max(0.0));
        }
        match self.evaluate(expr) {
            Value::List(Some(Expr::Array(items, _))) => Some(items.len() as f64),
            _ => None,
        }
    }

    /// Whether a condition asks only for variables, and nothing in the loop changes them.
    fn never_changes(&self, condition: &Expr, body: &[Stmt]) -> bool {
        let (mut names, mut asks) = (BTreeSet::new(), false);
        condition.walk(&mut Vec::new(), &mut |path: &[ASTNode]| {
            match path.last() {
                Some(ASTNode::Expr(Expr::Variable(parts, ..))) => drop(names.insert(parts.1.to_string())),
                Some(ASTNode::Expr(Expr::FnCall(call, _))) => asks |= !call.is_operator_call(),
                Some(ASTNode::Expr(Expr::MethodCall(..)) | ASTNode::Stmt(_)) => asks = true,
                _ => {}
            }
            true
        });
        // A closure may change what it has captured.
        let closures = self.program.functions.iter().filter(|f| f.is_closure()).flat_map(|f| &f.body);
        !names.is_empty() && !asks && changed_in(body.iter().chain(closures)).is_disjoint(&names)
    }

    /// A loop that measures until a window ends. Whoever gives the window leaves the warning out.
    fn loop_without_window(
        &mut self,
        statement: &Stmt,
        condition: &Expr,
        body: &rhai::StmtBlock,
        at: rhai::Position,
    ) {
        if !self.passes_time(statement) {
            return;
        }
        let ways = ways_out(body.statements());
        let message = match (is_endless(condition), ways) {
            (true, Ways::None) => "this loop has no end of its own",
            (false, Ways::None) if self.never_changes(condition, body.statements()) => {
                "nothing in this loop changes what its condition asks for, so it has no end of its own"
            }
            (true, Ways::OnlyTime) => "this loop ends only when `time_left()` is short",
            (false, Ways::None | Ways::OnlyTime) if is_only_time(condition) => {
                "this loop goes on as long as `time_left()` lasts"
            }
            _ => return,
        };
        let message = format!("{message}: without a window it goes on until the helium is used up");
        let help = "give the window, `--until 07:30`, or a way out of the loop";
        self.warn(Code::NoWindow, at, &message, help);
    }

    /// What a `for` loop hands out, as far as it is known: one item's kind and unit, not its value.
    fn each(&mut self, expr: &'a Expr, items: &Value<'a>) -> Value<'a> {
        if let Expr::FnCall(call, _) = expr {
            if call.name.starts_with("..") {
                return Value::number(None, true);
            }
            if call.name == "range" && call.args.iter().all(is_number) {
                return Value::Number { value: None, whole: None };
            }
        }
        let Value::List(Some(Expr::Array(list, _))) = items else { return Value::Unknown };
        let mut kinds = list.iter().map(|item| self.evaluate(item));
        let Some(first) = kinds.next() else { return Value::Unknown };
        let all_alike = |value: &Value| match (&first, value) {
            (Value::Quantity { dimension: a, .. }, Value::Quantity { dimension: b, .. }) => a == b,
            (Value::Number { .. }, Value::Number { .. }) | (Value::Text(_), Value::Text(_)) => true,
            _ => false,
        };
        let alike = kinds.all(|value| all_alike(&value));
        match first {
            _ if !alike => Value::Unknown,
            Value::Quantity { dimension, .. } => Value::Quantity { si: None, dimension },
            Value::Number { .. } => Value::Number { value: None, whole: None },
            Value::Text(_) => Value::Text(None),
            _ => Value::Unknown,
        }
    }

    /// `try { … } catch (error) { … }`.
    pub(super) fn try_catch(&mut self, parts: &'a FlowControl) {
        self.block(parts.body.statements(), Tail::Lost);
        let error = match &parts.expr {
            Expr::Variable(name, _, at) => Some((name.1.to_string(), *at)),
            _ => None,
        };
        self.open();
        if let Some((name, at)) = &error {
            self.declare(name, *at, Value::Unknown, false);
        }
        self.block(parts.branch.statements(), Tail::Lost);
        self.close();
        if !deals_with(parts.branch.statements(), error.as_ref().map(|(name, _)| name.as_str())) {
            let help = "say what happened with note(…), or throw the error on with `throw`";
            let message = "this catch block does nothing with the error, so nobody will hear of it";
            self.warn(Code::CatchSwallows, parts.branch.position(), message, help);
        }
    }
}

fn is_number(expr: &Expr) -> bool {
    matches!(expr, Expr::IntegerConstant(..) | Expr::FloatConstant(..))
}

/// Whether a verb of this name deals with an error: it tells somebody, or makes safe, or ends the sequence.
fn deals(name: &str) -> bool {
    let deed = registry::find(name).map(|verb| verb.nature.deed);
    matches!(deed, Some(Deed::Tells | Deed::Secures | Deed::Ends))
}

/// Whether a catch block does something with its error: uses it, throws, or says something.
fn deals_with(block: &[Stmt], error: Option<&str>) -> bool {
    let mut found = false;
    for statement in block {
        statement.walk(&mut Vec::new(), &mut |path: &[ASTNode]| {
            found |= match path.last() {
                Some(ASTNode::Stmt(Stmt::Return(_, flags, _))) => flags.contains(ASTFlags::BREAK),
                Some(ASTNode::Stmt(Stmt::FnCall(call, _)) | ASTNode::Expr(Expr::FnCall(call, _))) => {
                    call.name == "print" || deals(&call.name)
                }
                Some(ASTNode::Expr(Expr::Variable(name, ..))) => Some(name.1.as_str()) == error,
                _ => false,
            };
            !found
        });
    }
    found
}
