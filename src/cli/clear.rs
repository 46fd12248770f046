//! Before field and tip move again: somebody says by name that people, tools and the transfer line are clear.

use super::common::reject;
use crate::bench::Bench;
use crate::cautions::{Act, in_words};
use std::io::IsTerminal;

/// The answer to the question whether people are clear.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct Clear {
    /// Your name, if people, tools and the transfer line are clear of cryostat and magnet. Asked for at a terminal
    /// where it is left out; recorded.
    #[arg(long, value_name = "NAME")]
    clear_by: Option<String>,
}

impl Clear {
    /// Prints the cautions and asks, if nobody has answered on the command line.
    ///
    /// # Errors
    /// The exit code, where nobody says so.
    pub fn ask(&self) -> Result<String, u8> {
        eprint!("{}", in_words(Act::GoOn));
        let name = match &self.clear_by {
            Some(name) => name.clone(),
            None if std::io::stdin().is_terminal() => {
                eprint!("Are people, tools and the transfer line clear? Your name if they are, else Enter: ");
                let mut line = String::new();
                std::io::stdin().read_line(&mut line).map_err(|error| reject(&error.to_string()))?;
                line
            }
            None => String::new(),
        };
        let name: String = name.trim().chars().filter(|c| !c.is_control()).take(LONGEST_NAME).collect();
        if name.is_empty() {
            return Err(reject(
                "nobody has said that people, tools and the transfer line are clear; nothing was moved.\n\
                 Look, then say it with your name: `--clear-by NAME`",
            ));
        }
        Ok(name)
    }

    /// The same for a bench; nobody is asked where nothing but simulated microscopes would move.
    ///
    /// # Errors
    /// The exit code, where nobody says so.
    pub fn ask_at(&self, bench: &Bench) -> Result<Option<String>, u8> {
        if bench.is_simulated() { Ok(None) } else { self.ask().map(Some) }
    }
}

/// Letters of a name that are kept.
const LONGEST_NAME: usize = 80;
