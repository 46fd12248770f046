//! The verbs, a file for each chapter of the guide. Each has its table beside its code.

pub mod agenda;
pub mod analysis;
pub mod bench;
pub mod budget;
pub mod cards;
pub mod cold;
pub mod compensating;
mod deciding;
pub mod drifting;
pub mod fitting;
pub mod flow;
pub mod goals;
pub mod identifying;
pub mod informing;
pub mod judging;
pub mod noise;
pub mod own_fits;
mod places;
pub mod proving;
pub mod remembering;
pub mod sweeping;
pub mod tables;
pub mod tip;
pub mod tip_life;
pub mod together;

use super::host::Host;
use rhai::Engine;
use std::rc::Rc;

/// Registers every verb.
pub fn register(engine: &mut Engine, host: &Rc<Host>) {
    bench::register(engine, host);
    sweeping::register(engine, host);
    tables::register(engine, host);
    noise::register(engine);
    tip::register(engine, host);
    tip_life::register(engine, host);
    remembering::register(engine, host);
    cold::register(engine, host);
    analysis::register(engine, host);
    judging::register(engine, host);
    fitting::register(engine, host);
    own_fits::register(engine, host);
    proving::register(engine, host);
    informing::register(engine);
    compensating::register(engine, host);
    drifting::register(engine, host);
    identifying::register(engine, host);
    together::register(engine, host);
    flow::register(engine, host);
    agenda::register(engine, host);
    goals::register(engine, host);
    budget::register(engine, host);
    cards::register(engine, host);
}
