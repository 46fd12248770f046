//! What a tired reader must learn of each kind of night within two minutes, and where it stands: as data, held against
//! brief, JSON and page. `cargo test --test report -- a_reader_learns --nocapture` prints it as a table.

use crate::kinds::kinds;
use crate::story::first_screen;
use noctule::record::RunFile;
use noctule::report::account::Account;
use noctule::report::brief;
use noctule::report::figure::escape;

/// Where it stands.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Place {
    /// In the headline: the lines under the name of the run.
    Headline,
    /// Among what is to be done next.
    Next,
    /// In *Bench now*.
    Bench,
}

use Place::{Bench, Headline, Next};

/// A kind of night: what must be learnt, where, by which words.
type Learnt = (&'static str, &'static [(&'static str, Place, &'static str)]);

const LEARNT: &[Learnt] = &[
    (
        "good",
        &[
            ("the result with its error", Headline, "Real, moment 0.895"),
            ("the bench is safe", Headline, "The bench is parked"),
            ("helium until when", Headline, "Helium until Friday"),
            ("what is next", Next, "The sequence is complete: choose what to measure next."),
        ],
    ),
    (
        "blind",
        &[
            ("nothing was found, and where it was looked", Headline, "No line for g 1."),
            ("what is next", Next, "test the contrast of the tip"),
        ],
    ),
    (
        "artefact",
        &[
            ("what is seen is no spin", Headline, "An artefact: what is seen stays in place"),
            ("what is next", Next, "Measure the background"),
        ],
    ),
    (
        "splitting",
        &[
            ("a line without a moment", Headline, "from a splitting without field"),
            ("what is next", Next, "Measure at more fields, small ones too"),
        ],
    ),
    (
        "line lost",
        &[
            ("the line was lost, and when", Headline, "Real until 22:38, then the line was lost"),
            ("the result until then", Headline, "moment 0.894"),
            ("what is next", Next, "take an image and test the tip"),
        ],
    ),
    (
        "tip change",
        &[
            (
                "two states of the tip, and when it changed",
                Headline,
                "Real until 23:09, then the tip was another",
            ),
            ("the result of the first", Headline, "moment 0.895"),
            ("the result of the second", Headline, "with the next tip real, moment 0.894"),
        ],
    ),
    (
        "window",
        &[
            ("what is missing", Headline, "7 of 10 fields missing"),
            ("why", Headline, "skipped: it needs 15 min"),
            ("no verdict yet", Headline, "Undecided whether there is a line"),
            ("what is next", Next, "Decide whether what is missing is still wanted"),
        ],
    ),
    (
        "stop",
        &[
            ("somebody stopped it, and when", Headline, "Stopped on request at 21:12"),
            ("how it goes on", Next, "go on with the command below"),
        ],
    ),
    (
        "failed",
        &[
            (
                "the sequence ended itself, and why",
                Headline,
                "The sequence ended itself at 21:05: no adatom in the image",
            ),
            ("how it goes on", Next, "change it, unless the cause lay in the bench"),
        ],
    ),
    ("pressure burst", &[("how long it was held, and why", Headline, "48 s held (`pressure burst`)")]),
    ("stage warming up", &[("how long it was held, and why", Headline, "37 min held (`RF overdrive`)")]),
    (
        "stage warm",
        &[
            ("the stage got warm, and when", Headline, "The stage got warm at 21:10"),
            ("what to look at first", Next, "Look whether the pot is empty"),
            ("nothing runs before it is acknowledged", Next, "Acknowledge the interlock"),
            ("how warm it is", Bench, "11.656 K"),
        ],
    ),
    ("current lost", &[("how long it was held, and why", Headline, "held (`current lost`)")]),
    ("overload", &[("how long it was held, and why", Headline, "held (`lock-in overload`)")]),
    ("frozen gauge", &[("how long it was held, and why", Headline, "held (`stage sensor frozen`)")]),
    (
        "quench",
        &[
            ("the magnet may have quenched, and when", Headline, "The magnet may have quenched at 21:10"),
            ("people first", Next, "Keep away from the magnet"),
            ("nothing runs before it is acknowledged", Next, "Acknowledge the interlock"),
        ],
    ),
    (
        "tip crash",
        &[
            ("the tip may have touched, and when", Headline, "The tip may have touched the surface at 21:10"),
            ("the tip is looked at before more", Next, "it may be another tip now"),
        ],
    ),
    (
        "refill",
        &[
            ("how long it was held, and by whom", Headline, "38 min held (refill)"),
            ("the level after it", Headline, "Helium 66"),
        ],
    ),
    (
        "gauge silent",
        &[
            ("the gauge was silent; that is no pressure", Headline, "No number from chamber_pressure"),
            ("how much of the night that took", Headline, "12 h 00 min held"),
            ("what to look at first", Next, "Find out why chamber_pressure gave no number"),
        ],
    ),
    (
        "leak",
        &[
            ("helium is short, and since when", Headline, "Helium became short at 21:09"),
            ("refill now", Headline, "Refill helium now"),
            ("look for the leak", Next, "Look for a leak"),
        ],
    ),
    (
        "disk full",
        &[
            (
                "the disk is full, and when",
                Headline,
                "A fault ended the run at 21:12: the run file can't be written: no space left",
            ),
            ("the bench is safe all the same", Headline, "The bench is parked"),
            ("what is next", Next, "Mend what the reason at the top names (disk"),
        ],
    ),
    (
        "leak of 12 L in an hour",
        &[
            ("refill now, and how much is left", Headline, "Refill helium now: 6.43 L left"),
            ("look for the leak", Next, "an hour are lost: look for a leak"),
        ],
    ),
    (
        "power cut",
        &[
            ("the record ends, and when", Headline, "The record ends at 21:24 without an end"),
            ("where the tip may be", Headline, "The tip may be in tunnelling range"),
            ("what is missing", Headline, "8 of 10 fields missing"),
            ("look before anything moves", Next, "Look at the bench itself before anything moves"),
            ("RF was on", Bench, "ON"),
        ],
    ),
    (
        "kill and resume",
        &[
            ("it was cut and went on", Headline, "Cut and resumed, once"),
            ("the result all the same", Headline, "Real, moment 0.895"),
        ],
    ),
    (
        "two spins",
        &[
            ("the result of the first", Headline, "spin 1: real, moment 0.89"),
            ("the result of the second", Headline, "spin 2: real, moment 0.89"),
        ],
    ),
    (
        "refill before anybody is there",
        &[
            ("the alarm: when, and who comes when", Headline, "and nobody is there before Wednesday 08:00"),
            ("somebody must be found", Next, "Find somebody who refills helium before Wednesday 04:14"),
        ],
    ),
    (
        "map",
        &[(
            "what was made, with its figures",
            Headline,
            "Current around the spin: 12 places mapped, current 9.8",
        )],
    ),
    (
        "power series",
        &[("the exponent with its error", Headline, "Height against RF power: exponent 0.4978 ± 0.0040")],
    ),
    ("tip preparation", &[("no tip was made, and why", Headline, "Nothing: the last test says none")]),
    ("inelastic", &[("what was found", Headline, "Which kind of spin: 1 adatom, 1 unknown")]),
    (
        "background until a time",
        &[(
            "how much was measured, and what was found",
            Headline,
            "What stands still: 3 turns, no line that stands still",
        )],
    ),
];

fn flowing(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The same with a small first letter or a large one.
fn has(text: &str, words: &str) -> bool {
    let mut letters = words.chars();
    let first = letters.next().expect("some words");
    let rest = letters.as_str();
    text.contains(words)
        || text.contains(&format!("{}{rest}", first.to_lowercase()))
        || text.contains(&format!("{}{rest}", first.to_uppercase()))
}

#[test]
fn a_reader_learns_what_matters_in_two_minutes() {
    let names: Vec<&str> = kinds().iter().map(|kind| kind.name).collect();
    let told: Vec<&str> = LEARNT.iter().map(|learnt| learnt.0).collect();
    let missing: Vec<&&str> = names.iter().filter(|name| !told.contains(name)).collect();
    assert!(missing.is_empty(), "nothing is said of {missing:?}");
    println!("| night | what must be learnt | where | words |\n|---|---|---|---|");
    let mut wrong = String::new();
    for (name, items) in LEARNT {
        let kind = kinds().iter().find(|kind| kind.name == *name).expect("it is made");
        let run = [RunFile::open(&kind.path).unwrap()];
        let result = Account::read(&run[0]).result();
        let (text, page) = (brief::text(&run).unwrap(), brief::html(&run).unwrap());
        let screen = flowing(&first_screen(&text));
        let next = result.next.join(" ");
        // What is folded, and what stands under the figures, is not seen in two minutes.
        let top = &page[..page.find("Timeline</h2>").or_else(|| page.find("<details")).unwrap_or(page.len())];
        let bench = flowing(&text[text.find("── Bench now").expect("it stands")..]);
        for (what, place, words) in *items {
            println!("| {name} | {what} | {place:?} | {words} |");
            let found = match place {
                Headline => has(&result.headline, words) && has(&screen, words) && has(top, &escape(words)),
                Next => has(&next, words) && has(&screen, words) && has(top, &escape(words)),
                Bench => has(&bench, words) && has(&page, &escape(words)),
            };
            if !found {
                wrong += &format!(
                    "{name}: `{words}` does not stand in {place:?}\n  {}\n  {:?}\n",
                    result.headline, result.next
                );
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}
