//! Imports: only from the sequence's own folder, only by a written-out path, without a way out. A library that comes with
//! the program stands in where the folder has no file of that name.

use rhai::{Engine, EvalAltResult, Module, ModuleResolver, Position, Scope, Shared};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};
use std::rc::Rc;

use super::Sequence;
use crate::record::Document;

/// Finds imported files below one folder and keeps their texts for the record.
#[derive(Debug, Clone)]
pub struct Folder {
    root: PathBuf,
    found: Rc<RefCell<BTreeMap<String, String>>>,
    /// Files that are being loaded, the outermost first.
    loading: Rc<RefCell<Vec<PathBuf>>>,
}

impl Folder {
    /// That of a sequence.
    pub fn of(sequence: &Sequence) -> Self {
        let main = sequence.path.canonicalize().into_iter().collect();
        Self { root: sequence.folder(), found: Rc::default(), loading: Rc::new(RefCell::new(main)) }
    }

    /// The texts that were imported so far.
    pub fn documents(&self) -> Vec<Document> {
        let found = self.found.borrow();
        let document = |(name, text): (&String, &String)| Document {
            name: name.clone(),
            role: "import",
            text: text.clone(),
        };
        found.iter().map(document).collect()
    }
}

/// Libraries that come with the program, by the name under which they are imported.
const SHIPPED: [(&str, &str); 3] = [
    ("campaign", include_str!("../../scripts/campaign.rhai")),
    ("campaign_line", include_str!("../../scripts/campaign_line.rhai")),
    ("campaign_tip", include_str!("../../scripts/campaign_tip.rhai")),
];

/// What an import means: its file, none where it is a library that comes with the program, and its text.
///
/// # Errors
/// One sentence.
pub fn read(root: &Path, written: &str) -> Result<(Option<PathBuf>, String), String> {
    let shipped = SHIPPED.iter().find(|(name, _)| *name == written);
    if let Some((name, text)) = shipped.filter(|(name, _)| !root.join(name).with_extension("rhai").exists()) {
        tracing::debug!(name, "the library that comes with the program");
        return Ok((None, (*text).to_owned()));
    }
    let file = locate(root, written)?;
    let text =
        std::fs::read_to_string(&file).map_err(|error| format!("`{written}` can't be read: {error}"))?;
    Ok((Some(file), text))
}

/// The file that an import means, if it lies below the folder.
///
/// # Errors
/// One sentence.
pub fn locate(root: &Path, written: &str) -> Result<PathBuf, String> {
    let relative = Path::new(written);
    let plain = relative.components().all(|part| matches!(part, Component::Normal(_)));
    if !plain {
        return Err(format!("`{written}` leads out of the sequence's folder"));
    }
    let mut path = root.join(relative);
    if path.extension().is_none() {
        path.set_extension("rhai");
    }
    // A link may lead out even if its name does not.
    let real = path.canonicalize().map_err(|error| format!("`{written}` can't be read: {error}"))?;
    let root =
        root.canonicalize().map_err(|error| format!("the sequence's folder can't be read: {error}"))?;
    if !real.starts_with(&root) {
        return Err(format!("`{written}` leads out of the sequence's folder"));
    }
    Ok(real)
}

impl ModuleResolver for Folder {
    fn resolve(
        &self,
        engine: &Engine,
        _source: Option<&str>,
        path: &str,
        position: Position,
    ) -> Result<Shared<Module>, Box<EvalAltResult>> {
        let complain = |reason: String| -> Box<EvalAltResult> {
            EvalAltResult::ErrorRuntime(reason.into(), position).into()
        };
        let (file, text) = read(&self.root, path).map_err(complain)?;
        let file = file.unwrap_or_else(|| PathBuf::from(path));
        // The engine would load them in turns until the stack is used up.
        if self.loading.borrow().contains(&file) {
            return Err(complain(format!(
                "`{path}` is imported while it is being loaded: files that import each other can't be used"
            )));
        }
        let mut ast = engine.compile(&text).map_err(|e| complain(format!("in `{path}`: {e}")))?;
        ast.set_source(path);
        self.found.borrow_mut().insert(path.to_owned(), text);
        self.loading.borrow_mut().push(file);
        let module = Module::eval_ast_as_new(Scope::new(), &ast, engine);
        self.loading.borrow_mut().pop();
        module.map(Into::into)
    }
}
