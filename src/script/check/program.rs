//! The statements of a sequence as the parser saw them, with names sorted out beforehand.

pub(super) use crate::script::advice::is_closure;
use rhai::{AST, ASTNode, Expr, FnPtr, Position, Stmt};
use std::collections::{BTreeMap, BTreeSet};

/// A function or closure of the sequence.
#[derive(Debug)]
pub(super) struct Function {
    pub(super) name: String,
    pub(super) params: Vec<String>,
    pub(super) body: Vec<Stmt>,
    pub(super) private: bool,
    /// Where the body begins.
    pub(super) begins: Position,
}

impl Function {
    /// Closures have made-up names.
    pub(super) fn is_closure(&self) -> bool {
        is_closure(&self.name)
    }
}

/// Everything that could be parsed of one file.
#[derive(Debug, Default)]
pub(super) struct Program {
    pub(super) main: Vec<Stmt>,
    pub(super) functions: Vec<Function>,
    /// Variables that are assigned to after their declaration: their value is not known beforehand.
    pub(super) assigned: BTreeSet<String>,
    /// Variables on which a method is called: a list may have grown.
    pub(super) mutated: BTreeSet<String>,
    /// Names used as `global::NAME`.
    pub(super) global: BTreeSet<String>,
    /// Names of functions that are called or handed on.
    pub(super) called: BTreeSet<String>,
}

impl Program {
    /// Takes up what one parse has given.
    pub(super) fn add(&mut self, ast: &AST) {
        self.main.extend(ast.statements().iter().cloned());
        let lib = ast.shared_lib();
        for (_, access, name, count, def) in lib.iter_script_fn_info() {
            let mut one = ast.clone_functions_only();
            one.retain_functions(|_, _, other, n| other == name && n == count);
            self.functions.push(Function {
                name: name.to_owned(),
                params: def.params.iter().map(ToString::to_string).collect(),
                body: roots(&one),
                private: access == rhai::FnAccess::Private,
                begins: def.body.start_position(),
            });
        }
        // The order in the library is that of its hashes.
        self.functions.sort_by_key(|f| (f.begins.line(), f.begins.position(), f.name.clone()));
        ast.walk(&mut |path: &[ASTNode]| {
            self.learn(path);
            true
        });
    }

    /// The function or closure of a name with so many parameters.
    pub(super) fn function(&self, name: &str, params: usize) -> Option<&Function> {
        self.functions.iter().find(|f| f.name == name && f.params.len() == params)
    }

    /// Functions with this name.
    pub(super) fn named<'p>(&'p self, name: &'p str) -> impl Iterator<Item = &'p Function> {
        self.functions.iter().filter(move |f| f.name == name)
    }

    fn learn(&mut self, path: &[ASTNode]) {
        match path.last() {
            Some(ASTNode::Stmt(Stmt::Assignment(parts))) => self.assigned.extend(root_name(&parts.1.lhs)),
            Some(ASTNode::Expr(Expr::Dot(parts, ..) | Expr::Index(parts, ..))) if has_method(&parts.rhs) => {
                self.mutated.extend(root_name(&parts.lhs));
            }
            Some(ASTNode::Expr(Expr::Variable(parts, ..))) => {
                if !parts.2.is_empty() && parts.2.root() == "global" {
                    self.global.insert(parts.1.to_string());
                }
                self.called.insert(parts.1.to_string());
            }
            _ => {}
        }
        if let Some(name) = path.last().and_then(called_name) {
            self.called.insert(name);
        }
    }
}

/// Variables that these statements assign to, or on which they call a method.
pub(super) fn changed_in<'s>(statements: impl IntoIterator<Item = &'s Stmt>) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for statement in statements {
        statement.walk(&mut Vec::new(), &mut |path: &[ASTNode]| {
            found.extend(path.last().and_then(changed));
            true
        });
    }
    found
}

/// The variable that a node changes.
fn changed(node: &ASTNode) -> Option<String> {
    match node {
        ASTNode::Stmt(Stmt::Assignment(parts)) => root_name(&parts.1.lhs),
        ASTNode::Expr(Expr::Dot(parts, ..) | Expr::Index(parts, ..)) if has_method(&parts.rhs) => {
            root_name(&parts.lhs)
        }
        _ => None,
    }
}

/// The statements of an AST at its root: those of its only function.
fn roots(ast: &AST) -> Vec<Stmt> {
    let mut found = Vec::new();
    ast.walk(&mut |path: &[ASTNode]| {
        if let [ASTNode::Stmt(stmt)] = path {
            found.push((*stmt).clone());
        }
        true
    });
    found
}

/// The variable at the beginning of `a.b[c].d`.
pub(super) fn root_name(expr: &Expr) -> Option<String> {
    match expr {
        Expr::Variable(parts, ..) => Some(parts.1.to_string()),
        Expr::Dot(parts, ..) | Expr::Index(parts, ..) => root_name(&parts.lhs),
        _ => None,
    }
}

pub(super) fn has_method(expr: &Expr) -> bool {
    match expr {
        Expr::MethodCall(..) => true,
        Expr::Dot(parts, ..) | Expr::Index(parts, ..) => has_method(&parts.lhs) || has_method(&parts.rhs),
        _ => false,
    }
}

/// The function that a node calls or hands on by name.
pub(super) fn called_name(node: &ASTNode) -> Option<String> {
    match node {
        ASTNode::Expr(Expr::FnCall(call, _) | Expr::MethodCall(call, _))
        | ASTNode::Stmt(Stmt::FnCall(call, _)) => {
            if call.name == "Fn"
                && let [Expr::StringConstant(name, _)] = call.args.as_slice()
            {
                return Some(name.to_string());
            }
            Some(call.name.to_string())
        }
        ASTNode::Expr(Expr::DynamicConstant(value, _)) => {
            value.read_lock::<FnPtr>().map(|pointer| pointer.fn_name().to_owned())
        }
        _ => None,
    }
}

/// The made-up name of a closure that stands here, with or without variables that it captures.
pub(super) fn closure_name(expr: &Expr) -> Option<String> {
    let constant = match expr {
        Expr::DynamicConstant(value, _) => value,
        Expr::Stmt(block) => {
            let [Stmt::Share(_), Stmt::Expr(expr)] = block.statements() else { return None };
            let Expr::FnCall(call, _) = &**expr else { return None };
            match call.args.first()? {
                Expr::DynamicConstant(value, _) => value,
                _ => return None,
            }
        }
        _ => return None,
    };
    constant.read_lock::<FnPtr>().map(|pointer| pointer.fn_name().to_owned())
}

/// Where an expression begins. The parser places an operator at its sign, not at its first operand.
pub(super) fn start(expr: &Expr) -> Position {
    match expr {
        Expr::FnCall(call, at) if call.is_operator_call() => match call.args.as_slice() {
            [first, _, ..] => start(first),
            _ => *at,
        },
        Expr::Dot(parts, ..) | Expr::Index(parts, ..) => start(&parts.lhs),
        Expr::And(parts, _) | Expr::Or(parts, _) | Expr::Coalesce(parts, _) => {
            parts.first().map_or(Position::NONE, start)
        }
        other => other.start_position(),
    }
}

/// Everything that is called within some statements.
pub(super) fn calls_in<'s>(statements: impl IntoIterator<Item = &'s Stmt>) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for stmt in statements {
        stmt.walk(&mut Vec::new(), &mut |path: &[ASTNode]| {
            if let Some(node) = path.last() {
                found.extend(called_name(node));
                // What an imported function does is not looked into here; it counts as a verb.
                if let ASTNode::Expr(Expr::FnCall(call, _)) | ASTNode::Stmt(Stmt::FnCall(call, _)) = node
                    && call.is_qualified()
                {
                    found.insert("call".to_owned());
                }
            }
            true
        });
    }
    found
}

/// Functions of the program that call a verb, themselves or through others.
pub(super) fn reaching_verbs(program: &Program, is_verb: impl Fn(&str) -> bool) -> BTreeSet<String> {
    let calls: BTreeMap<&str, BTreeSet<String>> =
        program.functions.iter().map(|f| (f.name.as_str(), calls_in(&f.body))).collect();
    let mut reaching: BTreeSet<String> = BTreeSet::new();
    loop {
        let before = reaching.len();
        for (name, called) in &calls {
            if called.iter().any(|c| is_verb(c) || c == "call" || reaching.contains(c)) {
                reaching.insert((*name).to_owned());
            }
        }
        if reaching.len() == before {
            return reaching;
        }
    }
}
