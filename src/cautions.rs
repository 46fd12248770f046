//! Cautions for people, tied to what is being done: whoever tells of an act takes its cautions from here.
//!
//! They are the usual ones. Local rules and trained staff decide what is safe, not this program.

/// What is being done, or may happen next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Act {
    /// Helium is transferred.
    Fill,
    /// Field and tip move again: after a hold, or where a run is resumed.
    GoOn,
    /// Somebody works at the bench.
    Work,
}

/// One caution.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Caution {
    /// What it is about.
    pub title: &'static str,
    /// One to three plain sentences.
    pub text: &'static str,
    acts: &'static [Act],
}

/// All of them; the same in each brief, on purpose.
pub const CAUTIONS: [Caution; 6] = [
    Caution {
        title: "Oxygen",
        text: "Boiling helium and nitrogen displace air, and nobody notices it. Keep the oxygen monitor on and the air \
               moving, never fill alone, and leave at an alarm. Do not go in to help somebody without breathing apparatus.",
        acts: &[Act::Fill, Act::Work],
    },
    Caution {
        title: "Cold and pressure",
        text: "Liquid, cold gas and cold metal injure skin and eyes: gloves and face shield. A vent that is blocked by ice \
               lets the pressure rise until something bursts: check vents and relief valves before and after a transfer.",
        acts: &[Act::Fill, Act::Work],
    },
    Caution {
        title: "Magnet",
        text: "Keep people with implants and loose iron away. A quench boils the bath at once: leave the room. Do not ramp \
               on low helium.",
        acts: &[Act::GoOn, Act::Work],
    },
    Caution {
        title: "High voltage and RF",
        text: "Piezo and ion-pump supplies can kill: switch off and discharge before opening. RF off before a line is \
               taken apart.",
        acts: &[Act::Work],
    },
    Caution {
        title: "Before it goes on",
        text: "Field, tip and RF come back at once. Make sure that people, tools and the transfer line are clear of cryostat \
               and magnet.",
        acts: &[Act::GoOn],
    },
    Caution {
        title: "This program is no safety device",
        text: "Relief valves, quench protection, interlocks of the supplies and the oxygen monitor stay in charge. Local \
               rules and trained staff decide.",
        acts: &[Act::Fill, Act::GoOn, Act::Work],
    },
];

/// The cautions of an act.
pub fn at(act: Act) -> impl Iterator<Item = &'static Caution> {
    CAUTIONS.iter().filter(move |caution| caution.acts.contains(&act))
}

/// The same as lines for a terminal or a message.
pub fn in_words(act: Act) -> String {
    at(act).map(|caution| format!("CAUTION, {}: {}\n", caution.title, caution.text)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_act_has_its_cautions_and_defers_to_local_rules() {
        for (act, word) in
            [(Act::Fill, "oxygen monitor"), (Act::GoOn, "people, tools"), (Act::Work, "can kill")]
        {
            let words = in_words(act);
            assert!(
                words.contains(word) && words.contains("Local rules and trained staff decide"),
                "{words}"
            );
        }
        assert!(CAUTIONS.iter().all(|caution| !caution.acts.is_empty()));
    }
}
