//! Where each channel stood last.

use super::History;
use crate::bench::{Bench, Role};

/// How the value of a channel is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum How {
    /// It was read.
    Read,
    /// It was set, by a call, a sweep or a step to a safe state.
    Set,
    /// It was left as it was.
    Kept,
}

/// The last known value of a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing {
    /// SI.
    pub si: f64,
    /// When, s.
    pub at_s: f64,
    /// How it is known.
    pub how: How,
    /// A later attempt to set it failed.
    pub doubtful: bool,
}

impl History {
    /// The last known value of a channel.
    pub fn channel(&self, name: &str) -> Option<&Standing> {
        self.channels.get(name)
    }

    /// The last known value of the channel with this role.
    pub fn of_role(&self, bench: &Bench, role: Role) -> Option<&Standing> {
        self.channel(&bench.channel(bench.by_role(role)?).name)
    }

    pub(super) fn know(&mut self, channel: &str, si: f64, at_s: f64, how: How) {
        let standing = Standing { si, at_s, how, doubtful: false };
        match self.channels.get_mut(channel) {
            Some(known) => *known = standing,
            None => {
                self.channels.insert(channel.to_owned(), standing);
            }
        }
    }

    /// The sequence has brought a channel there.
    pub(super) fn stands(&mut self, channel: &str, si: f64, at_s: f64) {
        self.know(channel, si, at_s, How::Set);
        match self.left.values.get_mut(channel) {
            Some(value) => *value = si,
            None => {
                self.left.values.insert(channel.to_owned(), si);
            }
        }
    }

    pub(super) fn doubt(&mut self, channel: &str) {
        if let Some(standing) = self.channels.get_mut(channel) {
            standing.doubtful = true;
        }
    }

    pub(super) fn monitored(&mut self, channel: &str, value: f64, at_s: f64) {
        if self.names.shows_tip(channel) {
            self.tip(value > 0.5, at_s);
        }
        if let Some(level) = self.helium.as_mut().filter(|level| level.channel == channel) {
            level.note(at_s, value);
        }
        self.know(channel, value, at_s, How::Read);
    }

    pub(super) fn tip(&mut self, within: bool, at_s: f64) {
        if self.tip_in.is_none_or(|(was, _)| was != within) {
            self.tip_in = Some((within, at_s));
        }
    }

    pub(super) fn tip_at(&mut self, x_m: f64, y_m: f64, at_s: f64) {
        let [x, y] = self.names.place_of_tip().map(|name| name.cloned());
        for (channel, value) in [(x, x_m), (y, y_m)] {
            if let Some(channel) = channel {
                self.stands(&channel, value, at_s);
            }
        }
    }
}
