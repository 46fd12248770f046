//! `noctule guide` and `noctule new`, and what editors and shells want.

use super::common::reject;
use crate::guide;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Arguments of `noctule guide`.
#[derive(Debug, clap::Args)]
pub struct Guide {
    /// A chapter, a verb, a role or a code; without it the table of contents.
    topic: Option<String>,
    /// Write the whole manual as one HTML file.
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Write definitions for editors that know Rhai.
    #[arg(long, value_name = "FILE")]
    definitions: Option<PathBuf>,
    /// Write the JSON schema of bench files.
    #[arg(long, value_name = "FILE")]
    bench_schema: Option<PathBuf>,
    /// Write the JSON schema of world files.
    #[arg(long, value_name = "FILE")]
    world_schema: Option<PathBuf>,
}

impl Guide {
    /// Runs the command.
    pub fn run(self, program: clap::Command) -> u8 {
        let pretty = |value| serde_json::to_string_pretty(&value).expect("a schema is plain data");
        let wanted = [
            self.html.as_deref().map(|path| (path, guide::html())),
            self.definitions.as_deref().map(|path| (path, guide::rhai_definitions())),
            self.bench_schema.as_deref().map(|path| (path, pretty(guide::bench_schema()))),
            self.world_schema.as_deref().map(|path| (path, pretty(guide::world_schema()))),
        ];
        let mut written = 0;
        for (path, text) in wanted.into_iter().flatten() {
            if let Err(reason) = write(path, &text) {
                return reject(&reason);
            }
            written += 1;
        }
        if written > 0 && self.topic.is_none() {
            return 0;
        }
        match guide::text(self.topic.as_deref()) {
            Ok(text) => {
                super::common::print(&text);
                0
            }
            Err(near) => {
                // Whoever asks for a command by its name gets what that command tells of itself.
                let named = |c: &&clap::Command| Some(c.get_name()) == self.topic.as_deref();
                if let Some(command) = program.get_subcommands().find(named) {
                    let title = format!("noctule {}", command.get_name());
                    super::common::print(&command.clone().bin_name(title).render_long_help().to_string());
                    return 0;
                }
                if let Some(found) = self.topic.as_deref().and_then(guide::passages) {
                    super::common::print(&found);
                    return 0;
                }
                reject(&format!("the guide has no such topic; try {}", near.join(", ")))
            }
        }
    }
}

fn write(path: &Path, text: &str) -> Result<(), String> {
    std::fs::write(path, text).map_err(|error| format!("`{}` can't be written: {error}", path.display()))?;
    eprintln!("wrote {}", path.display());
    Ok(())
}

/// Arguments of `noctule new`.
#[derive(Debug, clap::Args)]
pub struct New {
    /// What to start from; without it the list.
    name: Option<String>,
    /// The file; by its usual name in this folder where it is left out.
    #[arg(long)]
    out: Option<PathBuf>,
}

impl New {
    /// Runs the command.
    pub fn run(self) -> u8 {
        let Some(name) = &self.name else {
            for point in guide::starting_points() {
                println!("{:<10} {}", point.name, point.about);
            }
            return 0;
        };
        let Some(point) = guide::starting_point(name) else {
            let names: Vec<&str> = guide::starting_points().iter().map(|p| p.name).collect();
            return reject(&format!("there is no starting point `{name}`; there are {}", names.join(", ")));
        };
        let path = self.out.unwrap_or_else(|| PathBuf::from(point.file));
        if path.exists() {
            return reject(&format!("`{}` exists already", path.display()));
        }
        match write(&path, point.text) {
            Ok(()) => 0,
            Err(reason) => reject(&reason),
        }
    }
}

/// Arguments of `noctule completions`.
#[derive(Debug, clap::Args)]
pub struct Completions {
    /// The shell, or `man` for the manual page.
    #[arg(value_parser = ["bash", "zsh", "fish", "elvish", "powershell", "man"])]
    what: String,
}

impl Completions {
    /// Runs the command.
    pub fn run(self, mut program: clap::Command) -> u8 {
        let mut out = Vec::new();
        if self.what == "man" {
            if let Err(error) = clap_mangen::Man::new(program).render(&mut out) {
                return reject(&format!("the manual page can't be made: {error}"));
            }
        } else {
            let shell: clap_complete::Shell = self.what.parse().expect("clap has checked the word");
            clap_complete::generate(shell, &mut program, "noctule", &mut out);
        }
        let _ = std::io::stdout().write_all(&out);
        0
    }
}
