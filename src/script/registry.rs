//! The registry of verbs: one table from which the engine is checked, sequences are checked, and the guide is made.

use super::verbs;
use crate::bench::{Role, TaskKind};

/// A verb as users see it.
#[derive(Debug, Clone, Copy)]
pub struct Verb {
    /// Its name.
    pub name: &'static str,
    /// Its parameters, in order.
    pub params: &'static [Param],
    /// How many of the last parameters may be left out.
    pub optional: usize,
    /// What it gives back.
    pub gives: Gives,
    /// One or two plain sentences.
    pub summary: &'static str,
    /// A short example that runs.
    pub example: &'static str,
    /// Chapter of the guide.
    pub chapter: Chapter,
    /// What it needs and what it does to bench and time.
    pub nature: Nature,
}

/// What a verb needs and what it does to bench and time.
#[derive(Debug, Clone, Copy)]
pub struct Nature {
    /// Where the time comes from that passes in it.
    pub time: Time,
    /// Roles that it needs without naming them.
    pub roles: &'static [Role],
    /// Tasks that it carries out; they need a link that moves the tip.
    pub tasks: &'static [TaskKind],
    /// What it is for.
    pub deed: Deed,
}

/// What a verb is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Deed {
    /// Answers: it is useless where nobody takes what it gives.
    Answers,
    /// Measures, judges or lets time pass; the bench is as before.
    Looks,
    /// Tells people something, through the record.
    Tells,
    /// The bench may differ afterwards, and ought to be parked.
    Acts,
    /// Brings the bench to a safer state.
    Secures,
    /// Ends the sequence.
    Ends,
}

/// The time that a verb takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Time {
    /// None: it works out, asks or records.
    None,
    /// It follows from the arguments and the bench file.
    Reckoned,
    /// It depends on the microscope.
    Open,
    /// That of the function it is given.
    Body,
}

/// A parameter of a verb.
#[derive(Debug, Clone, Copy)]
pub struct Param {
    /// Its name.
    pub name: &'static str,
    /// What it takes.
    pub kind: Kind,
    /// What it means.
    pub meaning: &'static str,
}

/// What a parameter takes, as far as it can be checked before anything runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Name of a channel or role.
    Channel,
    /// Name of a channel or role that a sweep has read, or of a column of a table.
    Reading,
    /// Name of a channel or role, or a list of them.
    Channels,
    /// A value in the unit of the channel that the first argument names.
    OfChannel,
    /// A time.
    Time,
    /// A length.
    Length,
    /// A voltage.
    Voltage,
    /// A magnetic field.
    Field,
    /// A plain number.
    Number,
    /// What holds many numbers: a sweep, a trace, an image, a table, a column; or names.
    Data,
    /// A number with or without a unit.
    Value,
    /// A text.
    Text,
    /// One of these texts.
    OneOf(&'static [&'static str]),
    /// True or false.
    Flag,
    /// A map with these fields; those after the bar may be left out.
    Fields(&'static str),
    /// A list of maps with these fields; those after the bar may be left out.
    Steps(&'static str),
    /// A function.
    Function,
    /// A list.
    List,
    /// A sweep, or a list of them.
    Sweeps,
    /// Parameters of an own model, in a map or a list.
    Parameters,
    /// What another verb gives back.
    Handle(&'static str),
}

/// What a verb gives back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Gives {
    /// Nothing.
    Nothing,
    /// It does not come back.
    Never,
    /// A time.
    Time,
    /// A volume.
    Volume,
    /// A plain number.
    Number,
    /// True or false.
    Flag,
    /// A text.
    Text,
    /// Something with properties of its own, by its name.
    Handle(&'static str),
    /// A map, a list, or what depends on the arguments, in words.
    Told(&'static str),
}

impl Gives {
    /// For people: `gives a sweep`, `never returns`.
    pub fn in_words(self) -> String {
        let what = match self {
            Gives::Never => return "never returns".to_owned(),
            Gives::Nothing => "nothing",
            Gives::Time => "a time",
            Gives::Volume => "a volume",
            Gives::Number => "a number",
            Gives::Flag => "the answer",
            Gives::Text => "a text",
            Gives::Handle(name) => return format!("gives {}", with_article(name)),
            Gives::Told(words) => words,
        };
        format!("gives {what}")
    }
}

/// `an image`, `a sweep`.
pub fn with_article(name: &str) -> String {
    let article = if name.starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" };
    format!("{article} {name}")
}

/// Chapters of the guide.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Chapter {
    /// Setting, reading, waiting.
    Bench,
    /// Sweeps, maps, traces.
    Sweeps,
    /// What was measured as values to work with.
    Tables,
    /// Moving the tip.
    Tip,
    /// Fits and verdicts.
    Analysis,
    /// Steps, notes, decisions, the end.
    Flow,
}

/// All verbs.
pub fn all() -> impl Iterator<Item = &'static Verb> {
    [
        verbs::bench::VERBS,
        verbs::sweeping::VERBS,
        verbs::compensating::VERBS,
        verbs::tables::VERBS,
        verbs::noise::VERBS,
        verbs::tip::VERBS,
        verbs::tip_life::VERBS,
        verbs::remembering::VERBS,
        verbs::cold::VERBS,
        verbs::drifting::VERBS,
        verbs::analysis::VERBS,
        verbs::proving::VERBS,
        verbs::judging::VERBS,
        verbs::fitting::VERBS,
        verbs::own_fits::VERBS,
        verbs::together::VERBS,
        verbs::identifying::VERBS,
        verbs::flow::VERBS,
        verbs::agenda::VERBS,
        verbs::informing::VERBS,
        verbs::goals::VERBS,
        verbs::budget::VERBS,
        verbs::cards::VERBS,
    ]
    .into_iter()
    .flatten()
}

/// The verb of that name.
pub fn find(name: &str) -> Option<&'static Verb> {
    all().find(|verb| verb.name == name)
}

/// A verb that works out or records something; its row names the rest.
pub const fn in_chapter(chapter: Chapter) -> Verb {
    let nature = of(Deed::Looks);
    Verb {
        name: "",
        params: &[],
        optional: 0,
        gives: Gives::Nothing,
        summary: "",
        example: "",
        chapter,
        nature,
    }
}

/// A verb that takes no time and needs nothing of the bench.
pub const fn of(deed: Deed) -> Nature {
    Nature { time: Time::None, roles: &[], tasks: &[], deed }
}

/// A verb that leaves the bench as it is.
pub const fn looks(time: Time, roles: &'static [Role], tasks: &'static [TaskKind]) -> Nature {
    Nature { time, roles, tasks, deed: Deed::Looks }
}

/// A verb after which the bench ought to be parked.
pub const fn acts(time: Time, roles: &'static [Role], tasks: &'static [TaskKind]) -> Nature {
    Nature { time, roles, tasks, deed: Deed::Acts }
}

/// A parameter, for the tables.
pub const fn param(name: &'static str, kind: Kind, meaning: &'static str) -> Param {
    Param { name, kind, meaning }
}

impl Verb {
    /// `set(channel, value)`, with what may be left out in brackets.
    pub fn signature(&self) -> String {
        // Where the last one is a function, those before it are left out.
        let last =
            self.params.len() - usize::from(self.params.last().is_some_and(|p| p.kind == Kind::Function));
        let needed = last.saturating_sub(self.optional);
        let mut text = format!("{}(", self.name);
        for (i, param) in self.params.iter().enumerate() {
            let comma = if i > 0 { ", " } else { "" };
            if (needed..last).contains(&i) {
                text.push_str(&format!("[{comma}{}]", param.name));
            } else {
                text.push_str(comma);
                text.push_str(param.name);
            }
        }
        text.push(')');
        text
    }

    /// How it is written: its signature, and the line of its example in which it stands.
    pub fn as_in(&self) -> String {
        let call = format!("{}(", self.name);
        let line = self
            .example
            .lines()
            .find(|line| line.contains(&call) && !line.starts_with("//") && line.ends_with([';', '}']));
        let example = line.map(|line| format!(", as in {}", line.trim())).unwrap_or_default();
        format!("it is {}{example}", self.signature())
    }

    /// Whether it makes no sense with the tip out.
    pub fn needs_tunnelling(&self) -> bool {
        let tasks = [TaskKind::Image, TaskKind::PickUp, TaskKind::PutDown];
        let sees = [Role::Height, Role::LockinX, Role::Current];
        self.nature.tasks.iter().any(|task| tasks.contains(task))
            || self.nature.roles.iter().any(|role| sees.contains(role))
    }

    /// Whether it can be called with so many arguments.
    pub fn takes(&self, arguments: usize) -> bool {
        arguments <= self.params.len() && arguments + self.optional >= self.params.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_never_repeated_says_so() {
        for verb in all().filter(|verb| !verb.nature.tasks.is_empty()) {
            let once = verb.nature.tasks.iter().any(|task| task.once_only());
            assert_eq!(once, verb.summary.contains("ever repeated on its own"), "{}", verb.name);
        }
        let tasks = || all().flat_map(|verb| verb.nature.tasks);
        let missing = TaskKind::ALL.iter().filter(|kind| !tasks().any(|task| task == *kind));
        assert_eq!(missing.collect::<Vec<_>>(), [&TaskKind::Persist], "tasks without a verb");
    }
}
