//! A bench with its instruments replaced by the simulated microscope, for rehearsals.

use super::{Address, Bench, Link, LinkKind, OwnRetry, Role, SimulatedLink};
use noctule_ground::signal::Signal;

impl Role {
    /// The signal of the simulated microscope that plays this role.
    pub fn signal(self) -> Option<Signal> {
        let mut name = String::new();
        for letter in self.name().chars() {
            if letter.is_uppercase() && !name.is_empty() {
                name.push('_');
            }
            name.extend(letter.to_lowercase());
        }
        Signal::from_name(&name)
    }
}

impl Bench {
    /// The same bench with every channel played by the simulated microscope of a world. Limits, permits,
    /// interlocks and steps stay as they are. Channels that the microscope can't play come back by name:
    /// they have no role, or one that it lacks.
    pub fn rehearsed(&self, world: &str) -> (Bench, Vec<String>) {
        let mut bench = self.clone();
        if bench.is_simulated() && bench.links.len() == 1 {
            return (bench, Vec::new());
        }
        let kind = LinkKind::Simulated(SimulatedLink { world: world.to_owned() });
        bench.links =
            vec![Link { name: "simulated".to_owned(), timeout_s: 1.0, retry: OwnRetry::default(), kind }];
        bench.task_link = self.task_link.map(|_| 0);
        let mut unplayed = Vec::new();
        for channel in &mut bench.channels {
            channel.link = 0;
            channel.address = match (&channel.address, channel.role.and_then(Role::signal)) {
                (Address::Signal(signal), _) => Address::Signal(*signal),
                (_, Some(signal)) => Address::Signal(signal),
                _ => {
                    unplayed.push(channel.name.clone());
                    Address::Named(channel.name.clone())
                }
            };
        }
        (bench, unplayed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_role_has_its_signal() {
        for role in Role::ALL {
            let signal = role.signal().unwrap_or_else(|| panic!("{role} has no signal"));
            assert!(signal.settable() || !role.settable(), "{role} can be set, its signal can't");
        }
    }
}
