//! Whether a reading is what the bench calls good: by the limits of its interlocks, and by what it was at the start.

use crate::bench::expression::JustRead;
use crate::bench::{Bench, ChannelId, Role};
use crate::report::account::Account;

/// A temperature that has risen by more than this factor is no longer what it was.
const WARMER: f64 = 1.5;
/// The same of a pressure.
const WORSE: f64 = 3.0;

/// Why a last reading is not as it should be; none where nothing speaks against it.
pub(super) fn what_is_wrong(account: &Account, bench: &Bench, id: ChannelId, si: f64) -> Option<String> {
    let channel = bench.channel(id);
    let grown = match channel.role? {
        Role::StageTemperature | Role::PotTemperature => WARMER,
        Role::ChamberPressure | Role::PreparationPressure => WORSE,
        _ => return None,
    };
    let only = JustRead(|channel: ChannelId| (channel == id).then_some(si));
    let beyond = bench
        .interlocks
        .iter()
        .find(|lock| lock.trip.channels().eq([id]) && lock.trip.holds(&only) == Some(true));
    if let Some(lock) = beyond {
        return Some(format!("beyond the limit of `{}`: {}", lock.name, lock.trip.text));
    }
    let (_, first) = account.monitors.get(&channel.name)?.first()?;
    (*first > 0.0 && si > grown * first).then(|| format!("it was {} at the start", channel.show(*first)))
}
