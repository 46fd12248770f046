//! `noctule nights`

use super::common::{load_sequence, reject, reject_all, start_log};
use super::rehearse::refill;
use crate::bench::{Action, Bench};
use crate::report::brief::{WorstRun, odds_page};
use crate::run::faults::promises_table;
use crate::run::nights::{Befalls, Campaign, Terms, add_up, nights, recorded};
use crate::run::odds::{Odds, Share};
use crate::run::shards::{Shard, merge, shard};
use crate::run::what_if::{changes, what_if};
use crate::run::{BenchSource, Setup};
use crate::supervisor::Probe;
use std::path::PathBuf;
use std::time::Instant;

/// Exit code when something happened that must never happen.
const EXIT_DEFECT: u8 = 70;

/// Arguments of `noctule nights`.
#[derive(Debug, clap::Args)]
pub struct Nights {
    /// The sequence, a .rhai file.
    #[arg(required_unless_present_any = ["promises", "merge"])]
    sequence: Option<PathBuf>,
    /// The bench, a .ron file; the built-in simulated bench where it is left out.
    #[arg(long)]
    bench: Option<PathBuf>,
    /// Another world for the simulated microscope: the name of a shipped one, or a file.
    #[arg(long)]
    world: Option<String>,
    /// How many nights.
    #[arg(long, default_value_t = 100)]
    count: u64,
    /// Seed of the first night; each night after it has the next one.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Threads; as many as the machine has cores where it is left out.
    #[arg(long)]
    threads: Option<usize>,
    /// Each night in a world of its own: whatever nobody knows exactly is drawn round the one that is given.
    #[arg(long)]
    drawn: bool,
    /// In every night somebody refills helium when the gauge shows less than this, like "13 L".
    #[arg(long)]
    refill: Option<String>,
    /// One part of the nights, like 3/8: on stdout, as JSON for `--merge`.
    #[arg(long, value_name = "K/N", conflicts_with = "json")]
    shard: Option<String>,
    /// Add parts up: the files that `--shard` has written, all of them.
    #[arg(long, value_name = "FILE", num_args = 1.., conflicts_with_all = ["sequence", "shard"])]
    merge: Vec<PathBuf>,
    /// For a plan: rehearse the same worlds once more with each thing that could be given before, like a refill or two hours
    /// more, and tell what that changes. Takes six times as long.
    #[arg(long, conflicts_with = "merge")]
    what_if: bool,
    /// For a plan: the odds as one page with pictures, into this file.
    #[arg(long, value_name = "FILE", conflicts_with = "shard")]
    page: Option<PathBuf>,
    /// Nothing befalls these nights: what the sequence says where all goes well.
    #[arg(long)]
    without_faults: bool,
    /// Print which fault leads to what, as a table, and do nothing else.
    #[arg(long)]
    promises: bool,
    /// One JSON object on stdout.
    #[arg(long)]
    json: bool,
}

impl Nights {
    /// Runs the command.
    pub fn run(self, verbose: u8) -> u8 {
        self.try_run(verbose).unwrap_or_else(|code| code)
    }

    fn try_run(self, verbose: u8) -> Result<u8, u8> {
        if self.promises {
            println!("{}", promises_table().trim_end());
            return Ok(0);
        }
        let started = Instant::now();
        start_log(verbose, None);
        if !self.merge.is_empty() {
            let campaign = merge(self.parts()?).map_err(|reason| reject(&reason))?;
            let code = self.tell(&campaign, None);
            self.write_page(&campaign, None)?;
            return Ok(code);
        }
        if self.count == 0 {
            return Err(reject("at least one night is needed"));
        }
        let path = self.sequence.as_ref().expect("the parser asks for it");
        let sequence = load_sequence(path)?;
        let source =
            BenchSource::load(self.bench.as_deref()).map_err(|d| reject_all(&[*d], "", self.json))?;
        let setup = Setup::for_rehearsal(sequence, source, self.world.as_deref(), self.seed, None)
            .map_err(|error| reject_all(&error.diagnostics, &error.source, self.json))?;
        let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
        let threads = self.threads.unwrap_or(cores).max(1);
        let terms = self.terms(&setup)?;
        if let Some(which) = &self.shard {
            let which =
                part_of(which).ok_or_else(|| reject(&format!("`{which}` is no part; write it like 3/8")))?;
            let part =
                shard(&setup, &terms, (self.seed, self.count), which, threads, &self.repeat(), self.what_if);
            println!("{}", serde_json::to_string(&part).expect("a part is plain data"));
            return Ok(0);
        }
        let (all, differing, repeats) = nights(&setup, terms.clone(), self.seed, self.count, threads);
        let numbers: Vec<u64> = (0..self.count).collect();
        let with =
            if self.what_if { what_if(&setup, &terms, self.seed, &numbers, threads) } else { Vec::new() };
        let mut campaign =
            add_up(&all, (differing, repeats), threads, started.elapsed().as_secs_f64(), &self.repeat());
        if let Some(plan) = &mut campaign.plan {
            plan.changes = changes(&all, &with);
        }
        let code = self.tell(&campaign, Some(&setup.bench));
        self.write_page(&campaign, Some((&setup, &terms)))?;
        Ok(code)
    }

    /// The page of the odds, with the worst courses rehearsed once more where they can be.
    fn write_page(&self, campaign: &Campaign, how: Option<(&Setup, &Terms)>) -> Result<(), u8> {
        let Some(path) = &self.page else { return Ok(()) };
        let Some(plan) = campaign.plan.as_ref().filter(|plan| !plan.goals.is_empty()) else {
            return Err(reject(
                "this sequence says no goals, so there are no odds of a plan (noctule guide campaign)",
            ));
        };
        let folder = tempfile_folder().map_err(|error| reject(&error.to_string()))?;
        let again = |(setup, terms): (&Setup, &Terms), seed: u64| {
            let run = recorded(setup, seed, terms, &folder.join(format!("{seed}.sqlite"))).ok()?;
            Some(WorstRun { seed, run })
        };
        let worst: Vec<WorstRun> = plan.worst.iter().filter_map(|course| again(how?, course.seed)).collect();
        let title =
            self.sequence.as_ref().map_or("merged parts".to_owned(), |path| path.display().to_string());
        let page = odds_page(campaign, plan, &title, &worst);
        drop(worst);
        let written = std::fs::write(path, page);
        let _ = std::fs::remove_dir_all(&folder);
        written.map_err(|error| reject(&format!("`{}` can't be written: {error}", path.display())))
    }

    fn terms(&self, setup: &Setup) -> Result<Terms, u8> {
        let befalls = if self.without_faults { Befalls::Nothing } else { Befalls::Faults };
        let visits = match &self.refill {
            Some(below) => refill(below, &setup.bench, self.json)?.faults,
            None => Vec::new(),
        };
        Ok(Terms { befalls, drawn: self.drawn, visits, change: None })
    }

    /// The parts in the files that were given.
    fn parts(&self) -> Result<Vec<Shard>, u8> {
        let part = |path: &PathBuf| {
            let text = std::fs::read_to_string(path).map_err(|error| error.to_string());
            let part = text.and_then(|text| serde_json::from_str(&text).map_err(|error| error.to_string()));
            part.map_err(|error| reject(&format!("`{}` is no part of a campaign: {error}", path.display())))
        };
        self.merge.iter().map(part).collect()
    }

    fn tell(&self, campaign: &Campaign, bench: Option<&Bench>) -> u8 {
        if self.json {
            println!("{}", serde_json::to_string(campaign).expect("a campaign is plain data"));
        } else {
            report(campaign, bench);
        }
        let broken = campaign.limit_violations + campaign.points_lost + campaign.hung;
        if broken + campaign.digest_repeats_differing > 0 { EXIT_DEFECT } else { 0 }
    }

    /// The command that repeats a night, without its seed.
    fn repeat(&self) -> String {
        let path = |path: &Option<PathBuf>| path.as_ref().map(|p| p.display().to_string());
        let mut command = format!("noctule rehearse {}", path(&self.sequence).unwrap_or_default());
        if let Some(bench) = path(&self.bench) {
            command += &format!(" --bench {bench}");
        }
        if let Some(world) = &self.world {
            command += &format!(" --world {world}");
        }
        if let Some(below) = &self.refill {
            command += &format!(" --refill \"{below}\"");
        }
        if self.drawn {
            command += " --drawn";
        }
        command + if self.without_faults { " --seed" } else { " --night" }
    }
}

/// What is known in the morning, with 95 % intervals.
fn known_in_the_morning(odds: &Odds) {
    let share = |what: &str, s: &Share| {
        if let Some(part) = s.share {
            let (low, high) = (100.0 * s.low, 100.0 * s.high);
            println!(
                "  {what:<46} {:>5} of {:<5} {:>5.1} % ({low:.1} to {high:.1} %)",
                s.count,
                s.of,
                100.0 * part
            );
        }
    };
    println!("\nWhat will be known in the morning ({} nights with a verdict)", odds.judged);
    share("a spin was there: proved, with its moment", &odds.proved_and_right);
    share("a spin was there: not proved", &odds.missed);
    share("called real what was not there", &odds.false_real);
    share("a verdict left open", &odds.undecided);
    share("moments within one error (68 %)", &odds.moment.within_one);
    share("moments within 1.96 errors (95 %)", &odds.moment.within_two);
    share("tip fields within one error (68 %)", &odds.tip_field.within_one);
    share("tip fields within 1.96 errors (95 %)", &odds.tip_field.within_two);
    let time = &odds.time_to_proof_h;
    if time.count > 0 {
        println!(
            "  time to proof {:.2} h (10 %), {:.2} h (median), {:.2} h (90 %); deviations over errors: moment {:.2}, tip field {:.2} rms",
            time.p10, time.median, time.p90, odds.moment.rms, odds.tip_field.rms
        );
    }
}

/// A new folder for what is not kept.
fn tempfile_folder() -> std::io::Result<PathBuf> {
    let folder = std::env::temp_dir().join(format!("noctule-odds-{}", std::process::id()));
    std::fs::create_dir_all(&folder)?;
    Ok(folder)
}

/// `3/8`: the third of eight.
fn part_of(text: &str) -> Option<(u64, u64)> {
    let (which, of) = text.split_once('/')?;
    let (which, of) = (which.trim().parse().ok()?, of.trim().parse().ok()?);
    (1..=of).contains(&which).then_some((which, of))
}

fn report(c: &Campaign, bench: Option<&Bench>) {
    println!("{} nights, {:.0} hours simulated in {:.1} s", c.count, c.simulated_hours, c.wall_s);
    println!(
        "finished {}, interlock {}, failed {}, stopped {}, fault {}",
        c.finished, c.interlock, c.failed, c.stopped, c.fault
    );
    println!(
        "{} nights had only faults that are ridden out; {} of them finished",
        c.rideable, c.rideable_finished
    );
    println!(
        "violations {}, points lost {}, hung {}, repeats that differ {} of {}, not fully parked {}",
        c.limit_violations, c.points_lost, c.hung, c.digest_repeats_differing, c.digest_repeats, c.not_parked
    );
    println!(
        "finish time {:.2} h (median), {:.2} to {:.2} h; helium left {:.1} L (median), at least {:.1} L",
        c.finish_time_h.median,
        c.finish_time_h.least,
        c.finish_time_h.most,
        c.helium_left_l.median,
        c.helium_left_l.least
    );
    println!(
        "interlocks acted {} times: median {:.3} s, 99 % within {:.3} s, all within {:.3} s",
        c.reaction_s.count, c.reaction_s.median, c.reaction_s.p99, c.reaction_s.most
    );
    if let Some(odds) = &c.odds {
        known_in_the_morning(odds);
    }
    if let Some(plan) = c.plan.as_ref().filter(|plan| !plan.goals.is_empty()) {
        super::odds::plan(plan);
    }
    println!("\nHow nights ended that did not finish");
    for (ending, count) in &c.endings {
        println!("  {count:>6}  {ending}");
        if let Some(one) = c.ending_examples.get(ending) {
            println!("          one of them: {}\n          {}", one.reason, one.command);
        }
    }
    println!("\nFaults: nights with each, and how many of them finished");
    for fault in &c.faults {
        println!("  {:>6} {:>6}  {}", fault.nights, fault.finished, fault.fault);
    }
    if !c.probes_unreached.is_empty() {
        println!(
            "\nBranches of recovery that none of these nights took; more nights (--count) take more of them"
        );
        // Parts that are merged do not bring their bench.
        let does = |action| bench.is_none_or(|b| b.interlocks.iter().any(|lock| lock.action == action));
        for name in &c.probes_unreached {
            let impossible = (*name == Probe::RefillByLock.name() && !does(Action::Refill))
                || (*name == Probe::CondensedByLock.name() && !does(Action::Condense));
            let why = if impossible { " (no interlock of this bench does that)" } else { "" };
            println!("  {name}{why}");
        }
    }
    println!("\nWorst nights");
    for night in &c.worst_seeds {
        println!("  {}\n    {}", night.outcome.told(&night.reason), night.command);
        if let Some(violation) = &night.violation {
            println!("    {violation}");
        }
    }
}
