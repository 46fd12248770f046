//! Goes along a sequence as it would run, with the values that are known: through functions, branches and passes of loops.
//!
//! What is not known ends nothing: both ways of a branch are gone, and what they leave different is not known afterwards.
//! So whatever is found here would happen, if that place is reached at all.

use super::flow::diverges;
use super::program::{Function, calls_in, changed_in, closure_name, reaching_verbs};
use super::value::Value;
use super::walk::Walk;
use crate::bench::{ChannelId, TaskKind};
use crate::script::registry::{self, Deed, Kind};
use rhai::{ASTFlags, Expr, FlowControl, FnCallExpr, Position, Stmt};
use std::collections::{BTreeMap, BTreeSet};

/// Expressions that are looked at in all; past this nothing more is said.
const MOST_LOOKS: u32 = 60_000;
/// Passes of a loop that are gone one by one.
const MOST_PASSES: usize = 100;
/// Functions within functions.
const DEEPEST: usize = 12;

/// How a statement ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Flow {
    /// The next one follows.
    Next,
    /// The pass is over.
    Continue,
    /// The loop is over.
    Break,
    /// The function or the sequence is over.
    Return,
}

/// Something of the bench that is so since a line.
pub(super) type Since = Option<(bool, usize)>;

/// What is known of the bench.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct BenchNow {
    /// Whether the tip is in tunnelling range.
    pub(super) tip: Since,
    /// Whether the RF source is on.
    pub(super) rf: Since,
    /// Where the sequence itself has put channels, and in which line.
    pub(super) put: BTreeMap<ChannelId, (f64, usize)>,
}

/// What goes along with the run.
pub(super) struct Run<'a> {
    looks: u32,
    pub(super) bench: BenchNow,
    /// What the function that runs may have returned.
    returned: Vec<Value<'a>>,
    /// Whether a loop or function may have been left somewhere before.
    forked: bool,
    /// Variables that closures change which run nobody knows when.
    wild: BTreeSet<String>,
    /// Functions that change what is known of the bench.
    touching: BTreeSet<String>,
    /// Where the functions that run were called.
    pub(super) called_at: Vec<Position>,
    /// The variable of each loop that runs, with its value.
    pub(super) passes: Vec<String>,
}

impl Run<'_> {
    /// Where the way has led: which pass, called from where.
    pub(super) fn circumstances(&self) -> String {
        let mut text = String::new();
        let passes: Vec<&str> = self.passes.iter().map(String::as_str).filter(|p| !p.is_empty()).collect();
        if !passes.is_empty() {
            text.push_str(&format!(", where {}", passes.join(" and ")));
        }
        if let Some(line) = self.called_at.last().and_then(|at| at.line()) {
            text.push_str(&format!(" (called in line {line})"));
        }
        text
    }
}

/// Whether a call of this name changes what is known of the bench.
fn touches(name: &str) -> bool {
    matches!(name, "approach" | "withdraw" | "park" | "set" | "call")
}

/// Whether a call of this name leaves every channel where it was put: a verb that moves nothing but the tip in and out, and
/// that is given no function, which may do anything.
pub(super) fn leaves_put(name: &str) -> bool {
    let Some(verb) = registry::find(name) else { return false };
    let nature = &verb.nature;
    let in_or_out = |task: &TaskKind| matches!(task, TaskKind::Approach | TaskKind::Withdraw);
    let moves_tip = !nature.tasks.is_empty() && nature.tasks.iter().all(in_or_out);
    let acts = matches!(nature.deed, Deed::Acts | Deed::Secures);
    let calls_back = verb.params.iter().any(|param| matches!(param.kind, Kind::Function));
    !calls_back && (moves_tip || !acts)
}

impl<'a> Walk<'a> {
    /// Goes along the main part.
    pub(super) fn run_along(&mut self) {
        let program = self.program;
        let stepped = steps(&program.main).chain(program.functions.iter().flat_map(|f| steps(&f.body)));
        let stepped: BTreeSet<String> = stepped.collect();
        let loose = program.functions.iter().filter(|f| f.is_closure() && !stepped.contains(&f.name));
        self.running = Some(Run {
            looks: 0,
            bench: BenchNow::default(),
            returned: Vec::new(),
            forked: false,
            wild: changed_in(loose.flat_map(|f| &f.body)),
            touching: reaching_verbs(program, touches),
            called_at: Vec::new(),
            passes: Vec::new(),
        });
        self.open();
        for name in &self.file.lost_names {
            self.declare(name, Position::NONE, Value::Unknown, false);
        }
        self.run_statements(&program.main);
        self.close();
        self.running = None;
    }

    pub(super) fn going(&mut self) -> &mut Run<'a> {
        self.running.as_mut().expect("the run goes along")
    }

    /// Whether enough was looked at.
    pub(super) fn tired(&mut self) -> bool {
        let run = self.going();
        run.looks += 1;
        run.looks > MOST_LOOKS
    }

    /// Whether a variable is changed by who knows what.
    pub(super) fn is_wild(&self, name: &str) -> bool {
        self.running.as_ref().is_some_and(|run| run.wild.contains(name))
    }

    /// A block, with the value of its last statement.
    pub(super) fn run_block(&mut self, statements: &'a [Stmt]) -> (Flow, Value<'a>) {
        self.open();
        let end = self.run_statements(statements);
        self.close();
        end
    }

    fn run_statements(&mut self, statements: &'a [Stmt]) -> (Flow, Value<'a>) {
        let mut last = Value::Nothing;
        for statement in statements {
            if self.tired() {
                return (Flow::Return, Value::Unknown);
            }
            let (flow, value) = self.run_statement(statement);
            if flow != Flow::Next {
                return (flow, Value::Nothing);
            }
            last = value;
        }
        (Flow::Next, last)
    }

    fn run_statement(&mut self, statement: &'a Stmt) -> (Flow, Value<'a>) {
        let value = match statement {
            Stmt::Expr(expr) => self.evaluate(expr),
            Stmt::FnCall(call, at) => self.call(call, *at),
            Stmt::Var(parts, ..) => {
                let (ident, expr, _) = &**parts;
                let value = self.evaluate(expr);
                self.declare(&ident.name, ident.pos, value, false);
                Value::Nothing
            }
            Stmt::Assignment(parts) => {
                self.assignment(&parts.0, &parts.1);
                Value::Nothing
            }
            Stmt::Block(block) => return self.run_block(block.statements()),
            Stmt::If(parts, _) => return self.run_if(parts),
            Stmt::Switch(parts, _) => {
                self.evaluate(&parts.0);
                for case in &parts.1.expressions {
                    let before = self.snapshot();
                    self.evaluate(&case.rhs);
                    self.restore(before);
                }
                self.forget([statement]);
                Value::Unknown
            }
            Stmt::While(parts, _) => return (self.run_while(statement, parts, false), Value::Nothing),
            Stmt::Do(parts, ..) => return (self.run_while(statement, parts, true), Value::Nothing),
            Stmt::For(parts, _) => {
                return (self.run_for(statement, &parts.0, parts.1.as_ref(), &parts.2), Value::Nothing);
            }
            Stmt::TryCatch(parts, _) => {
                self.run_try(statement, parts);
                Value::Unknown
            }
            Stmt::BreakLoop(expr, flags, _) => {
                expr.iter().for_each(|expr| drop(self.evaluate(expr)));
                let flow = if flags.contains(ASTFlags::BREAK) { Flow::Break } else { Flow::Continue };
                return (flow, Value::Nothing);
            }
            Stmt::Return(expr, flags, _) => {
                let value = expr.as_ref().map_or(Value::Nothing, |expr| self.evaluate(expr));
                if !flags.contains(ASTFlags::BREAK) {
                    self.going().returned.push(value);
                }
                return (Flow::Return, Value::Nothing);
            }
            _ => Value::Nothing,
        };
        let over = diverges(statement);
        (if over { Flow::Return } else { Flow::Next }, value)
    }

    fn run_if(&mut self, parts: &'a FlowControl) -> (Flow, Value<'a>) {
        let condition = self.evaluate(&parts.expr);
        match condition {
            Value::Flag(Some(true)) => self.run_block(parts.body.statements()),
            Value::Flag(Some(false)) => self.run_block(parts.branch.statements()),
            _ => {
                let before = self.snapshot();
                let (one, value) = self.run_block(parts.body.statements());
                let after_one = self.snapshot();
                self.restore(before);
                let (other, other_value) = self.run_block(parts.branch.statements());
                let leaves = |flow| matches!(flow, Flow::Break | Flow::Return | Flow::Continue);
                self.going().forked |= leaves(one) || leaves(other);
                match (one, other) {
                    (Flow::Next, Flow::Next) => {
                        self.join(after_one);
                        (Flow::Next, value.join(other_value))
                    }
                    (Flow::Next, _) => {
                        self.restore(after_one);
                        (Flow::Next, value)
                    }
                    (_, Flow::Next) => (Flow::Next, other_value),
                    (one, other) if one == other => (one, Value::Nothing),
                    _ => (Flow::Return, Value::Nothing),
                }
            }
        }
    }

    fn run_while(&mut self, statement: &'a Stmt, parts: &'a FlowControl, body_first: bool) -> Flow {
        let forked = std::mem::replace(&mut self.going().forked, false);
        let mut ended = None;
        for pass in 0..MOST_PASSES {
            if pass > 0 || !body_first {
                let holds = match &parts.expr {
                    Expr::Unit(_) => Some(true),
                    expr => match self.evaluate(expr) {
                        // `do … until x` is written down as a loop while x does not hold.
                        Value::Flag(flag) => flag,
                        _ => None,
                    },
                };
                let until = matches!(statement, Stmt::Do(_, flags, _) if flags.contains(ASTFlags::NEGATED));
                match holds.map(|holds| holds != until) {
                    Some(false) => ended = Some(Flow::Next),
                    Some(true) => {}
                    None => break,
                }
                if ended.is_some() {
                    break;
                }
            }
            match self.run_block(parts.body.statements()).0 {
                Flow::Break => ended = Some(Flow::Next),
                Flow::Return => ended = Some(Flow::Return),
                Flow::Next | Flow::Continue => {}
            }
            if ended.is_some() || self.going().forked {
                break;
            }
        }
        let flow = if self.going().forked || ended.is_none() {
            self.once_more(statement, parts.body.statements());
            Flow::Next
        } else {
            ended.unwrap_or(Flow::Next)
        };
        self.going().forked = forked;
        flow
    }

    /// A pass of which nothing is known but that it may happen.
    fn once_more(&mut self, statement: &'a Stmt, body: &'a [Stmt]) {
        self.forget([statement]);
        self.run_block(body);
        self.forget([statement]);
    }

    fn run_for(
        &mut self,
        statement: &'a Stmt,
        item: &'a rhai::Ident,
        counter: Option<&'a rhai::Ident>,
        control: &'a FlowControl,
    ) -> Flow {
        let forked = std::mem::replace(&mut self.going().forked, false);
        let items = self.items_of(&control.expr);
        let all = items.as_ref().is_some_and(|items| items.len() <= MOST_PASSES);
        let chosen: Vec<(usize, Value<'a>)> = match items {
            Some(items) if all => items.into_iter().enumerate().collect(),
            // Of many passes the first and the last are gone.
            Some(items) => {
                self.forget([statement]);
                let last = items.len() - 1;
                items.into_iter().enumerate().filter(|(i, _)| *i == 0 || *i == last).collect()
            }
            None => {
                self.forget([statement]);
                vec![(usize::MAX, Value::Unknown)]
            }
        };
        let mut flow = Flow::Next;
        for (i, value) in chosen {
            self.open();
            let note = value.short().map(|value| format!("`{}` is {value}", item.name));
            self.going().passes.push(note.unwrap_or_default());
            self.declare(&item.name, item.pos, value, false);
            if let Some(counter) = counter {
                let number = (i != usize::MAX).then_some(i as f64);
                self.declare(&counter.name, counter.pos, Value::number(number, true), false);
            }
            let (end, _) = self.run_block(control.body.statements());
            self.going().passes.pop();
            self.close();
            match end {
                Flow::Break => break,
                Flow::Return => {
                    flow = Flow::Return;
                    break;
                }
                Flow::Next | Flow::Continue => {}
            }
            if self.going().forked {
                self.forget([statement]);
                break;
            }
        }
        if !all {
            self.forget([statement]);
            flow = Flow::Next;
        }
        self.going().forked = forked;
        flow
    }

    /// Everything that a loop goes through, if it is known.
    fn items_of(&mut self, expr: &'a Expr) -> Option<Vec<Value<'a>>> {
        if let Expr::FnCall(call, _) = expr
            && let [from, to] = call.args.as_slice()
            && call.name.starts_with("..")
        {
            let mut end = |expr: &'a Expr| match self.evaluate(expr) {
                Value::Number { value, whole: Some(true) } => value,
                _ => None,
            };
            let (from, to) = (end(from)?, end(to)?);
            let last = if call.name == "..=" { to + 1.0 } else { to };
            let count = (last - from).clamp(0.0, 1e6) as usize;
            return Some((0..count).map(|i| Value::number(Some(from + i as f64), true)).collect());
        }
        match self.evaluate(expr) {
            Value::Items(items) => Some(items.to_vec()),
            _ => None,
        }
    }

    fn run_try(&mut self, statement: &'a Stmt, parts: &'a FlowControl) {
        self.run_block(parts.body.statements());
        self.forget([statement]);
        self.open();
        if let Expr::Variable(name, _, at) = &parts.expr {
            self.declare(&name.1, *at, Value::Unknown, false);
        }
        self.run_block(parts.branch.statements());
        self.close();
        self.forget([statement]);
        self.going().forked = true;
    }

    /// A function of the sequence with its arguments, or a closure.
    pub(super) fn run_function(
        &mut self,
        function: &'a Function,
        values: Vec<Value<'a>>,
        at: Position,
    ) -> Value<'a> {
        if self.going().called_at.len() >= DEEPEST || self.tired() {
            self.forget(&function.body);
            return Value::Unknown;
        }
        let (scopes, floor) = (self.scopes.len(), self.floor);
        self.floor = if function.is_closure() { floor } else { scopes };
        let forked = std::mem::replace(&mut self.going().forked, false);
        let outer = std::mem::take(&mut self.going().returned);
        self.going().called_at.push(at);
        self.open();
        // What a closure has captured stands before its own parameters, and is in sight already.
        let captured = function.params.len().saturating_sub(values.len());
        for (param, value) in function.params.iter().skip(captured).zip(values) {
            self.declare(param, function.begins, value, false);
        }
        let (flow, last) = self.run_statements(&function.body);
        self.close();
        let run = self.going();
        run.called_at.pop();
        run.forked = forked;
        let returned = std::mem::replace(&mut run.returned, outer);
        let last = if flow == Flow::Next { Some(last) } else { None };
        self.floor = floor;
        last.into_iter().chain(returned).reduce(Value::join).unwrap_or(Value::Unknown)
    }

    /// The body of `step`, in its place.
    pub(super) fn run_step(&mut self, call: &'a FnCallExpr, values: &[Value<'a>], at: Position) -> Value<'a> {
        let Some(Value::Closure(name)) = values.last() else { return Value::Unknown };
        let program = self.program;
        let Some(function) = program.functions.iter().find(|f| f.name == **name) else {
            return Value::Unknown;
        };
        // With limits of time or helium it may be left out.
        let before = (call.args.len() > 2).then(|| self.snapshot());
        let called_at = std::mem::take(&mut self.going().called_at);
        let value = self.run_function(function, Vec::new(), at);
        self.going().called_at = called_at;
        if let Some(before) = before {
            self.join(before);
            return Value::Unknown;
        }
        value
    }

    /// What is known now.
    fn snapshot(&mut self) -> (Vec<Vec<Value<'a>>>, BenchNow) {
        let values = self.scopes.iter().map(|scope| scope.iter().map(|v| v.value.clone()).collect());
        (values.collect(), self.running.as_ref().map(|run| run.bench.clone()).unwrap_or_default())
    }

    fn restore(&mut self, (values, bench): (Vec<Vec<Value<'a>>>, BenchNow)) {
        for (scope, values) in self.scopes.iter_mut().zip(values) {
            scope.iter_mut().zip(values).for_each(|(variable, value)| variable.value = value);
        }
        self.going().bench = bench;
    }

    /// Keeps what is the same on both ways.
    fn join(&mut self, (values, bench): (Vec<Vec<Value<'a>>>, BenchNow)) {
        for (scope, values) in self.scopes.iter_mut().zip(values) {
            for (variable, value) in scope.iter_mut().zip(values) {
                let here = std::mem::replace(&mut variable.value, Value::Unknown);
                variable.value = here.join(value);
            }
        }
        let same = |a: Since, b: Since| if a.map(|s| s.0) == b.map(|s| s.0) { a } else { None };
        let run = self.going();
        run.bench.tip = same(run.bench.tip, bench.tip);
        run.bench.rf = same(run.bench.rf, bench.rf);
        run.bench.put.retain(|id, (here, _)| bench.put.get(id).is_some_and(|(there, _)| there == here));
    }

    /// Forgets what these statements may have changed.
    fn forget(&mut self, statements: impl IntoIterator<Item = &'a Stmt>) {
        let statements: Vec<&Stmt> = statements.into_iter().collect();
        let changed = changed_in(statements.iter().copied());
        for variable in self.scopes.iter_mut().flatten().filter(|v| changed.contains(&v.name)) {
            variable.value = Value::Unknown;
        }
        let calls = calls_in(statements);
        let run = self.going();
        if calls.iter().any(|name| touches(name) || run.touching.contains(name)) {
            run.bench = BenchNow::default();
        }
        if !calls.iter().all(|name| leaves_put(name)) {
            run.bench.put.clear();
        }
    }

    /// Gives a variable another value.
    pub(super) fn assign(&mut self, name: &str, value: Value<'a>) {
        let wild = self.is_wild(name);
        let floor = self.floor;
        let scopes = self.scopes.iter_mut().skip(floor).rev();
        if let Some(variable) = scopes.flat_map(|s| s.iter_mut().rev()).find(|v| v.name == name) {
            variable.value = if wild { Value::Unknown } else { value };
        }
    }

    /// A call of which nothing is known but that it may do anything to the bench.
    pub(super) fn anything_happens(&mut self) {
        if let Some(run) = &mut self.running {
            run.bench = BenchNow::default();
        }
    }
}

/// Names of closures that stand as the last argument of `step`: they run where they stand.
fn steps(statements: &[Stmt]) -> impl Iterator<Item = String> {
    let mut names = Vec::new();
    for statement in statements {
        statement.walk(&mut Vec::new(), &mut |path: &[rhai::ASTNode]| {
            if let Some(
                rhai::ASTNode::Stmt(Stmt::FnCall(call, _)) | rhai::ASTNode::Expr(Expr::FnCall(call, _)),
            ) = path.last()
                && call.name == "step"
                && let Some(last) = call.args.last()
            {
                names.extend(closure_name(last));
            }
            true
        });
    }
    names.into_iter()
}
