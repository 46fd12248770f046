//! `noctule world`

use super::common::{print, reject};
use crate::drive::connect::load_world;
use crate::guide::{WorldCard, world_list};
use std::path::Path;

/// Arguments of `noctule world`.
#[derive(Debug, clap::Args)]
pub struct ShowWorld {
    /// The name of a shipped world, or a file; all shipped ones where it is left out.
    name: Option<String>,
    /// One JSON object on stdout.
    #[arg(long, requires = "name")]
    json: bool,
}

impl ShowWorld {
    /// Runs the command.
    pub fn run(self) -> u8 {
        let Some(name) = &self.name else {
            print(&world_list());
            return 0;
        };
        match load_world(name, Path::new("")) {
            Ok((world, _)) if self.json => {
                let card = WorldCard::of(&world);
                println!("{}", serde_json::to_string(&card).expect("a card is plain data"));
                0
            }
            Ok((world, _)) => {
                print(&WorldCard::of(&world).text());
                0
            }
            Err(reason) => reject(&format!("the world `{name}` can't be read: {reason}")),
        }
    }
}
