//! Goes along a sequence as it would run, with the values that are known: through functions, branches and passes of loops.
//!
//! What is not known ends nothing: both ways of a branch are gone, and what they leave different is not known afterwards.
//! So whatever is found here would happen, if that place is reached at all.

use super::flow::diverges;
use super::program::{Function, calls_in, changed_in, closure_name, has_method, reaching_verbs, start};
use super::value::Value;
use super::walk::Walk;
use crate::bench::Role;
use crate::diagnostic::Code;
use crate::document::nearest;
use crate::script::registry::Verb;
use rhai::{ASTFlags, BinaryExpr, Expr, FlowControl, FnCallExpr, OpAssignment, Position, Stmt};
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

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
type Since = Option<(bool, usize)>;

/// What is known of the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct Bench {
    /// Whether the tip is in tunnelling range.
    tip: Since,
    /// Whether the RF source is on.
    rf: Since,
}

/// What goes along with the run.
pub(super) struct Run<'a> {
    looks: u32,
    bench: Bench,
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

impl<'a> Walk<'a> {
    /// Goes along the main part.
    pub(super) fn run_along(&mut self) {
        let program = self.program;
        let stepped = steps(&program.main).chain(program.functions.iter().flat_map(|f| steps(&f.body)));
        let stepped: BTreeSet<String> = stepped.collect();
        let loose = program.functions.iter().filter(|f| f.is_closure() && !stepped.contains(&f.name));
        self.running = Some(Run {
            looks: 0,
            bench: Bench::default(),
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

    fn going(&mut self) -> &mut Run<'a> {
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
    fn snapshot(&mut self) -> (Vec<Vec<Value<'a>>>, Bench) {
        let values = self.scopes.iter().map(|scope| scope.iter().map(|v| v.value.clone()).collect());
        (values.collect(), self.running.as_ref().map(|run| run.bench).unwrap_or_default())
    }

    fn restore(&mut self, (values, bench): (Vec<Vec<Value<'a>>>, Bench)) {
        for (scope, values) in self.scopes.iter_mut().zip(values) {
            scope.iter_mut().zip(values).for_each(|(variable, value)| variable.value = value);
        }
        self.going().bench = bench;
    }

    /// Keeps what is the same on both ways.
    fn join(&mut self, (values, bench): (Vec<Vec<Value<'a>>>, Bench)) {
        for (scope, values) in self.scopes.iter_mut().zip(values) {
            for (variable, value) in scope.iter_mut().zip(values) {
                let here = std::mem::replace(&mut variable.value, Value::Unknown);
                variable.value = here.join(value);
            }
        }
        let same = |a: Since, b: Since| if a.map(|s| s.0) == b.map(|s| s.0) { a } else { None };
        let run = self.going();
        run.bench = Bench { tip: same(run.bench.tip, bench.tip), rf: same(run.bench.rf, bench.rf) };
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
            run.bench = Bench::default();
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
            run.bench = Bench::default();
        }
    }

    /// What a verb finds of the bench, and what it leaves.
    pub(super) fn bench_in_run(&mut self, verb: &Verb, values: &[Value<'a>], at: Position) {
        let line = at.line().unwrap_or(0);
        self.measures(verb, values, at);
        let bench = &mut self.going().bench;
        match verb.name {
            "approach" => bench.tip = Some((true, line)),
            "withdraw" => bench.tip = Some((false, line)),
            "park" => *bench = Bench { tip: Some((false, line)), rf: None },
            "set" => {
                let [Value::Text(Some(name)), value] = values else { return };
                let role = self.bench.find(name).and_then(|id| self.bench.channel(id).role);
                let on = value.as_quantity().and_then(|(number, _)| number).map(|n| n != 0.0);
                if role == Some(Role::RfOutput) {
                    self.going().bench.rf = on.map(|on| (on, line));
                }
            }
            _ => {}
        }
    }

    /// Complains about measuring what can't be there.
    fn measures(&mut self, verb: &Verb, values: &[Value<'a>], at: Position) {
        let plan = match values.first() {
            Some(Value::Entries(entries)) => Some(Rc::clone(entries)),
            _ => None,
        };
        let role_of = |value: &Value<'_>, bench: &crate::bench::Bench| match value {
            Value::Text(Some(name)) => bench.find(name).and_then(|id| bench.channel(id).role),
            _ => None,
        };
        let field =
            |name: &str| plan.as_ref().and_then(|plan| plan.get(name)).map(|(value, _)| value.clone());
        let read: Vec<Role> = match field("read") {
            Some(Value::Items(items)) => items.iter().filter_map(|v| role_of(v, self.bench)).collect(),
            Some(one) => role_of(&one, self.bench).into_iter().collect(),
            None => Vec::new(),
        };
        let tunnels = [Role::Current, Role::LockinX, Role::LockinY];
        let sweeps = matches!(verb.name, "sweep" | "grid");
        let needs_tip = (sweeps && read.iter().any(|role| tunnels.contains(role))) || verb.needs_tunnelling();
        let swept = field("channel").and_then(|value| role_of(&value, self.bench));
        let over_rf = (sweeps && swept == Some(Role::RfFrequency))
            || matches!(verb.name, "search_resonance" | "compensated_sweep");
        let Run { bench, .. } = self.going();
        let (tip, rf) = (bench.tip, bench.rf);
        if let (true, Some((false, line))) = (needs_tip, tip) {
            let message =
                format!("the tip is out since line {line}, so `{}` sees no tunnel current", verb.name);
            let help = "put approach(); before it";
            self.report(Code::NotReady, at, message, Some(help.to_owned()));
        }
        let reads_lockin =
            verb.name != "sweep" || read.contains(&Role::LockinX) || read.contains(&Role::LockinY);
        if let (true, true, Some((false, line))) = (over_rf, reads_lockin, rf) {
            let message = format!(
                "the RF is off since line {line}, so `{}` over its frequency shows nothing",
                verb.name
            );
            let help = "put set(\"RfOutput\", true); before it";
            self.report(Code::NotReady, at, message, Some(help.to_owned()));
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
                names.extend(super::program::closure_name(last));
            }
            true
        });
    }
    names.into_iter()
}

/// The place of a list's item, counted from its end where negative; none if there is no such item.
pub(super) fn item_at(index: f64, count: usize) -> Option<usize> {
    let place = if index < 0.0 { index + count as f64 } else { index };
    (place >= 0.0 && place < count as f64).then_some(place as usize)
}

impl<'a> Walk<'a> {
    /// `list[i]`.
    pub(super) fn indexed(&mut self, base: &Value<'a>, index: &Value<'a>, at: &Expr) -> Value<'a> {
        let (Value::Items(items), Value::Number { value: Some(number), .. }) = (base, index) else {
            return Value::Unknown;
        };
        if let Some(place) = item_at(*number, items.len()) {
            return items[place].clone();
        }
        let count = items.len();
        let message = match count {
            0 => format!("the list is empty here, so there is no item {number}"),
            1 => format!("the list has one item, [0], so there is no item {number}"),
            _ => format!("the list has {count} items, [0] to [{}], so there is no item {number}", count - 1),
        };
        let help = "the first item is [0]; list.len() is how many there are, list[-1] is the last";
        self.report(Code::OutOfRange, start(at), message, Some(help.to_owned()));
        Value::Unknown
    }
}

/// Methods that leave what they are called on as it is.
const LOOKING: &[&str] = &[
    "len", "contains", "is_empty", "call", "abs", "keys", "values", "index_of", "map", "filter", "reduce",
    "get",
];

impl<'a> Walk<'a> {
    /// An expression on the way: what is built of known values is known.
    pub(super) fn along(&mut self, expr: &'a Expr) -> Value<'a> {
        match expr {
            Expr::Array(items, _) => {
                Value::Items(Rc::new(items.iter().map(|item| self.evaluate(item)).collect()))
            }
            Expr::Map(parts, _) => {
                let entry = |(ident, value): &'a (rhai::Ident, Expr)| {
                    (ident.name.to_string(), (self.evaluate(value), start(value)))
                };
                Value::Entries(Rc::new(parts.0.iter().map(entry).collect()))
            }
            Expr::DynamicConstant(..) | Expr::Stmt(_) => match (closure_name(expr), expr) {
                (Some(name), _) => Value::Closure(name.into()),
                (None, Expr::Stmt(block)) => match self.run_block(block.statements()) {
                    (Flow::Next, value) => value,
                    _ => Value::Unknown,
                },
                _ => Value::Unknown,
            },
            Expr::And(parts, _) => self.all_of(parts, false),
            Expr::Or(parts, _) => self.all_of(parts, true),
            other => self.value_of(other),
        }
    }

    /// Conditions one after the other, up to the one that decides.
    fn all_of(&mut self, parts: &'a [Expr], decides: bool) -> Value<'a> {
        let mut known = true;
        for part in parts {
            match self.evaluate(part) {
                Value::Flag(Some(flag)) if flag == decides => return Value::Flag(known.then_some(decides)),
                Value::Flag(Some(_)) => {}
                // What comes after may guard itself by what is not known here.
                _ => known = false,
            }
        }
        Value::Flag(known.then_some(!decides))
    }

    /// `x = …` and `x += …` on the way.
    pub(super) fn assigned(&mut self, operator: &OpAssignment, name: &str, value: Value<'a>, at: Position) {
        let value = match operator.get_op_assignment_info() {
            None => value,
            Some((.., sign)) => {
                let before = self.lookup(name, false).unwrap_or(Value::Unknown);
                self.operator(sign, &[], &[before, value], at)
            }
        };
        self.assign(name, value);
    }

    /// What a variable holds is known by its kind only.
    pub(super) fn loosen(&mut self, name: &str) {
        let loose = match self.lookup(name, false) {
            Some(value) if value.is_list() => Value::List(None),
            Some(value) if value.is_map() => Value::Map(None),
            _ => Value::Unknown,
        };
        self.assign(name, loose);
    }

    /// A method at the end of a chain may have changed the variable at its beginning.
    pub(super) fn changed_by_method(&mut self, parts: &'a BinaryExpr, index: bool) {
        let Some(root) = super::program::root_name(&parts.lhs) else { return };
        match (&parts.lhs, &parts.rhs) {
            (Expr::Variable(..), Expr::MethodCall(call, _)) if !index => {
                if call.name == "push"
                    && let (Some(Value::Items(items)), [item]) =
                        (self.lookup(&root, false), call.args.as_slice())
                {
                    let mut items = items.to_vec();
                    items.push(self.evaluate(item));
                    self.assign(&root, Value::Items(Rc::new(items)));
                } else if !LOOKING.contains(&call.name.as_str()) {
                    self.loosen(&root);
                }
            }
            (_, rhs) if has_method(rhs) => {
                let holds = self.lookup(&root, false).is_some_and(|value| value.is_list() || value.is_map());
                if holds {
                    self.loosen(&root);
                }
            }
            _ => {}
        }
    }

    /// `map.name`.
    pub(super) fn entry(
        &mut self,
        entries: &BTreeMap<String, (Value<'a>, Position)>,
        name: &str,
        at: Position,
    ) -> Value<'a> {
        if let Some((value, _)) = entries.get(name) {
            return value.clone();
        }
        let names: Vec<&str> = entries.keys().map(String::as_str).collect();
        let near = nearest(name, names.iter().copied());
        let help = near.map(|near| format!("did you mean `.{near}`?"));
        let help = help.unwrap_or_else(|| format!("it has {}", names.join(", ")));
        self.report(Code::OutOfRange, at, format!("this map has no `{name}`"), Some(help));
        Value::Unknown
    }
}
