//! The odds of a plan, as a table.

use crate::run::campaign::PlanOdds;
use crate::run::nights::Spread;
use crate::run::odds::Share;

fn share(what: &str, share: &Share) {
    if let Some(part) = share.share {
        let (low, high) = (100.0 * share.low, 100.0 * share.high);
        let (count, of) = (share.count, share.of);
        println!("  {what:<46} {count:>5} of {of:<5} {:>5.1} % ({low:.1} to {high:.1} %)", 100.0 * part);
    }
}

fn spread(what: &str, unit: &str, spread: &Spread) {
    if spread.count > 0 {
        let Spread { p10, median, p90, .. } = spread;
        println!("  {what:<46} {p10:>6.1} {median:>6.1} {p90:>6.1} {unit} (10, 50, 90 %)");
    }
}

/// Prints the odds, the worst courses, and what is in the way.
pub(super) fn plan(odds: &PlanOdds) {
    println!("\nThe plan in hidden worlds");
    share("a good tip at the end", &odds.good_tip);
    share("  kept, where one was in at the beginning", &odds.tip_kept);
    share("  made, where none was", &odds.tip_made);
    share("a line proved, and rightly", &odds.proved);
    share("called real what was not there", &odds.falsely);
    share("proved, or not for a named reason that is true", &odds.settled);
    share("stuck: a person has to come", &odds.stuck);
    spread("    after", "h", &odds.stuck_h);
    for goal in &odds.goals {
        share(&format!("goal `{}`", goal.name), &goal.reached);
        spread("    hours to it", "h", &goal.hours);
        for (word, count) in &goal.shortfalls {
            println!("      given up {count} times: {word}");
        }
    }
    println!(
        "  good tips touched {}, targets lifted {}, hours of spectra under a blind tip {:.1} %, results an hour {:.2}",
        odds.good_tip_touched,
        odds.target_lifted,
        100.0 * odds.blind_part,
        odds.results_an_hour
    );
    spread("from a good tip to the first right proof", "h", &odds.proof_h);
    spread("length", "h", &odds.length_h);
    spread("helium left", "L", &odds.helium_left_l);
    spread("pot would still last", "h", &odds.pot_left_h);
    spread("atoms lifted", "", &odds.lifted);
    if !odds.in_the_way.is_empty() {
        println!("  what is in the way most, by the worth of goals that it cost");
    }
    for (word, worth, helps) in odds.in_the_way.iter().take(5) {
        println!("    {word}: {worth:.0}; {helps} would help");
    }
    if !odds.changes.is_empty() {
        println!(
            "  what would change the odds, by the worth of goals that would be reached in the same worlds"
        );
    }
    for changed in &odds.changes {
        let (worth, error) = (100.0 * changed.worth, 100.0 * changed.worth_error);
        println!(
            "    {:<40} {worth:>+6.1} ± {error:.1} % of the worth, {:>+6.1} % proved ({} worlds)",
            changed.given,
            100.0 * changed.proved,
            changed.worlds
        );
    }
    println!("  the worst courses");
    for worst in &odds.worst {
        println!(
            "    {:.0} of {:.0}: {}\n      {}",
            worst.worth[0], worst.worth[1], worst.what, worst.command
        );
    }
}
