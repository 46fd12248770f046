//! The two things that drive the supervisor: [`real_time`], [`virtual_time`] with an event queue.
//!
//! Both carry out its effects in the order in which they come: an urgent entry is on disk before a
//! command that follows it leaves. Both have the [`oracle`] look at every command on its way out.

pub mod connect;
pub mod oracle;
pub mod outlook;
mod port;
mod precious;
mod queue;
pub mod real_time;
pub mod replay;
pub mod tally;
pub mod virtual_time;
pub mod visitor;

pub use outlook::Outlook;
pub use port::{Port, SharedPort};
pub use tally::RunTally;
