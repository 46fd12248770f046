//! The bench: one RON file that says what is connected, what is safe, and
//! what there is of helium and time. Limits, permits and interlocks live
//! here, below every sequence.
//!
//! A [`Bench`] that exists has been checked: names are unique, dimensions fit,
//! every index leads somewhere. [`read`] reports all faults of a file at once.

mod alias;
mod builtin;
mod channel;
mod cold;
pub mod expression;
mod link;
mod messages;
mod patience;
mod precious;
mod read;
mod read_channel;
mod read_link;
mod read_rules;
mod read_spins;
mod read_wording;
mod rehearsed;
mod role;
mod rules;
mod spin;
mod wording;

pub use builtin::{BUILTIN_NAME, builtin, builtin_text};
pub use channel::{Address, BeyondStep, Channel, ChannelId, ScpiAddress};
pub use cold::Pot;
pub use expression::Condition;
pub use link::{Link, LinkKind, ProcessLink, ScpiLink, ScpiTasks, SimulatedLink};
pub use messages::{EVENTS, MessageHook};
pub use patience::{IfChanged, Looks, OwnRetry, Retry};
pub use precious::{Guard, TipTests};
pub use read::{BENCH, read};
pub use role::Role;
pub use rules::{Action, Interlock, Permit, Step, StepAction, Subject, TaskKind};
pub use spin::{KnownSpin, KnownValue};
pub use wording::{Meaning, Pattern, Proof, Ready, ReplyForm, Verify, WhoIsThere};

use crate::quantity::{Dimension, Quantity};
use noctule_ground::section;
use noctule_ground::section::{Kind, Range};

/// What the live page may say to the run.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct LiveWords {
    /// Whether from other computers too.
    pub beyond_loopback: bool,
    /// Whether it may release what an operator holds. Whoever is at home does not see who stands at the magnet.
    pub release: bool,
}

/// Everything a bench file says, checked. All numbers are in SI.
#[derive(Debug, Clone, PartialEq)]
pub struct Bench {
    /// Name of the bench, for people.
    pub name: String,
    /// Ways to instruments.
    pub links: Vec<Link>,
    /// What can be set and read.
    pub channels: Vec<Channel>,
    /// Index of the link that approaches, withdraws, scans; none if no link does.
    pub task_link: Option<usize>,
    /// Settling of the lock-in.
    pub lockin: Lockin,
    /// How failures of single commands are met.
    pub retry: Retry,
    /// How instruments are looked at between times.
    pub looks: Looks,
    /// Limits of a voltage pulse; none where the bench says nothing.
    pub pulse: Option<PulseLimits>,
    /// How a tip is tested; none where the bench does not say.
    pub tip_tests: Option<TipTests>,
    /// How long the condensation pot lasts; none where the bench does not say.
    pub pot: Option<Pot>,
    /// What is precious; none where the bench does not say.
    pub guard: Option<Guard>,
    /// How often channel values go into the run file, s.
    pub record_every_s: f64,
    /// Conditions for setting and starting.
    pub permits: Vec<Permit>,
    /// Conditions that are watched.
    pub interlocks: Vec<Interlock>,
    /// Steps to the safe state.
    pub park: Vec<Step>,
    /// Steps to the state while a sequence is held.
    pub hold: Vec<Step>,
    /// How long a hold waits for what it waits for, before the run ends parked, s.
    pub hold_patience_s: f64,
    /// How long a step to the safe state that failed is tried again, s.
    pub park_patience_s: f64,
    /// Steps to the state for a helium transfer, and what must hold after it.
    pub refill: Refill,
    /// How a spot is found again; none where the tip stays where it lands.
    pub recentre: Option<Recentre>,
    /// The helium budget.
    pub helium: Option<Helium>,
    /// Time zone of the laboratory (IANA name); none for the machine's own.
    pub time_zone: Option<String>,
    /// The keeper process.
    pub keeper: Keeper,
    /// Whether the next sequence of a queue starts after one that failed.
    pub queue_goes_on: bool,
    /// What the live page may say to the run.
    pub live_words: LiveWords,
    /// Keeps what was recorded if a run's own folder is removed; seen from the folder of the bench file.
    pub spare_folder: Option<std::path::PathBuf>,
    /// Words to programs outside.
    pub messages: Vec<MessageHook>,
    /// Kinds of spins that the laboratory knows, for `identify`.
    pub known_spins: Vec<KnownSpin>,
}

section! {
    /// Settling of the lock-in.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Lockin = "Lockin" {
        /// Time constant where no channel says it.
        pub time_constant_s: f64 = Kind::Quantity(Dimension::TIME, Range::Held(1e-6, f64::INFINITY)), "time_constant" or "300 ms";
        /// Filter order where no channel says it.
        pub order: u8 = Kind::Whole(1, 4), "order" or "4";
        /// Part of a step that must have arrived at the output before a value counts.
        pub settle_fraction: f64 = Kind::Quantity(Dimension::NONE, Range::Within(0.1, 0.999_999_999)), "settle" or "99 %";
    }
}

section! {
    /// Limits of a voltage pulse at the junction.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct PulseLimits = "Pulse" {
        /// Largest height to either side.
        pub max_v: f64 = Kind::Quantity(Dimension::VOLTAGE, Range::Positive), "max";
        /// Longest.
        pub longest_s: f64 = Kind::Quantity(Dimension::TIME, Range::Positive), "longest";
    }
}

impl PulseLimits {
    /// What is wrong with a pulse, in one sentence; none if it lies within the limits.
    pub fn objection(&self, volts: f64, length_s: f64) -> Option<String> {
        // Written so that what is no number lies outside.
        let (high, long) = (volts.abs() <= self.max_v, length_s > 0.0 && length_s <= self.longest_s);
        let volt = |v: f64| Quantity::new(v, Dimension::VOLTAGE);
        let time = |s: f64| Quantity::new(s, Dimension::TIME);
        if !high {
            let (max, given) = (volt(self.max_v), volt(volts));
            return Some(format!("a pulse of {given} lies outside the limits of `pulse`, -{max} to {max}"));
        }
        (!long).then(|| {
            let (longest, given) = (time(self.longest_s), time(length_s));
            format!(
                "a pulse that lasts {given} lies outside the limits of `pulse`, more than 0 s to {longest}"
            )
        })
    }
}

/// What is done around a helium transfer.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Refill {
    /// Steps to the state for the transfer.
    pub steps: Vec<Step>,
    /// What must hold before the sequence goes on.
    pub resume_when: Option<Condition>,
    /// Whether the pot is condensed anew on the way back.
    pub condenses: bool,
}

/// How the spot under the tip is centred, and found again after a hold that had the tip out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recentre {
    /// Channel that is read; its maximum is the spot.
    pub channel: ChannelId,
    /// Side of the pattern of places, m.
    pub span_m: f64,
    /// Places along each side of it; odd, 3 to 9.
    pub points: u32,
    /// Side of the square that is searched where the pattern does not show the spot, m; 0 for no search.
    pub search_m: f64,
}

/// The helium budget.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Helium {
    /// Channel of the level gauge.
    pub channel: ChannelId,
    /// Volume of the full bath, m³.
    pub volume_m3: f64,
    /// Level at which a refill is due, m³.
    pub refill_limit_m3: f64,
    /// When somebody is there to refill; none where the bench file does not say.
    pub attended: Option<Attended>,
}

/// Hours in which somebody is in the laboratory, by the day of the week.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Attended {
    /// First and last day, 0 for Monday.
    pub days: (u8, u8),
    /// From and until, minutes after midnight.
    pub minutes: (u16, u16),
}

/// Short names of the days, from Monday on.
const DAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];

impl Attended {
    /// From words like `Mon-Fri 08:00-18:00`.
    ///
    /// ```
    /// use noctule::bench::Attended;
    /// let weekdays = Attended::parse("Mon-Fri 08:00-18:00").unwrap();
    /// assert!(weekdays.is_there(8 * 60) && !weekdays.is_there(7 * 60) && !weekdays.is_there(5 * 1440 + 600));
    /// assert_eq!(Attended::parse("Mon-Fry 8-18"), None);
    /// ```
    pub fn parse(text: &str) -> Option<Self> {
        let (days, hours) = text.trim().split_once(' ')?;
        let (first, last) = days.split_once('-').unwrap_or((days, days));
        let day = |name: &str| DAYS.iter().position(|known| *known == name).map(|day| day as u8);
        let (from, to) = hours.split_once('-')?;
        let minute = |time: &str| {
            let (hour, minute) = time.split_once(':')?;
            let (hour, minute): (u16, u16) = (hour.parse().ok()?, minute.parse().ok()?);
            (hour <= 24 && minute < 60).then_some(60 * hour + minute)
        };
        let found = Self { days: (day(first)?, day(last)?), minutes: (minute(from)?, minute(to)?) };
        (found.days.0 <= found.days.1 && found.minutes.0 < found.minutes.1).then_some(found)
    }

    /// Whether somebody is there in this minute of the week, from Monday at midnight on.
    pub fn is_there(&self, minute_of_week: u32) -> bool {
        let (day, minute) = ((minute_of_week / 1440 % 7) as u8, (minute_of_week % 1440) as u16);
        (self.days.0..=self.days.1).contains(&day) && (self.minutes.0..self.minutes.1).contains(&minute)
    }
}

impl Helium {
    /// Rise of the level that counts as a transfer, m³: the noise of a gauge is far below this part of the full bath.
    pub fn transfer_m3(&self) -> f64 {
        0.05 * self.volume_m3
    }
}

/// The keeper process.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Keeper {
    /// Time without a sign of life after which it parks, ms.
    pub patience_ms: u64,
    /// What the runner does if the keeper dies: park, or go on without.
    pub park_if_lost: bool,
}

impl Bench {
    /// The channel with this index.
    pub fn channel(&self, id: ChannelId) -> &Channel {
        &self.channels[id.index()]
    }

    /// Longest wait for one answer of a link, s: a set that waits until it is done keeps its link as long.
    pub fn answer_within_s(&self, link: usize) -> f64 {
        let ready = |channel: &Channel| match &channel.address {
            Address::Scpi(address) => address.ready.as_ref().map(|ready| ready.within_s),
            Address::Signal(_) | Address::Named(_) => None,
        };
        let here = self.channels.iter().filter(|channel| channel.link == link);
        self.links[link].timeout_s + here.filter_map(ready).fold(0.0, f64::max)
    }

    /// How failures of commands to a link are met.
    pub fn retry_of(&self, link: usize) -> Retry {
        self.links[link].retry.over(self.retry)
    }

    /// Channels of a link that show whether it is as it was left: all that can be set and read, or those that are
    /// looked at often. Simulated instruments are nobody else's.
    pub fn looked_at(&self, link: usize, all: bool) -> Vec<&Channel> {
        if matches!(self.links[link].kind, LinkKind::Simulated(_)) {
            return Vec::new();
        }
        let here = self.channels.iter().filter(|channel| channel.link == link);
        here.filter(|channel| channel.is_looked_at() && (all || channel.is_looked_at_often())).collect()
    }

    /// All channels with their index.
    pub fn ids(&self) -> impl Iterator<Item = ChannelId> + use<> {
        (0..u16::try_from(self.channels.len()).unwrap_or(u16::MAX)).map(ChannelId)
    }

    /// The channel of this name, or of this role.
    pub fn find(&self, name: &str) -> Option<ChannelId> {
        let by_name = self.ids().find(|id| self.channel(*id).name == name);
        by_name.or_else(|| self.by_role(Role::from_name(name)?))
    }

    /// The first channel of a role.
    pub fn by_role(&self, role: Role) -> Option<ChannelId> {
        self.ids().find(|id| self.channel(*id).role == Some(role))
    }

    /// Everything [`find`](Self::find) would find, for suggestions.
    pub fn names(&self) -> Vec<String> {
        let roles = self.channels.iter().filter_map(|c| c.role).map(|r| r.name().to_owned());
        self.channels.iter().map(|c| c.name.clone()).chain(roles).collect()
    }

    /// Whether every link is a simulated microscope in this process.
    pub fn is_simulated(&self) -> bool {
        self.links.iter().all(|link| matches!(link.kind, LinkKind::Simulated(_)))
    }

    /// The world of the first simulated link.
    pub fn world_name(&self) -> Option<&str> {
        self.links.iter().find_map(|link| match &link.kind {
            LinkKind::Simulated(simulated) => Some(simulated.world.as_str()),
            _ => None,
        })
    }
}
