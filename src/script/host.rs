//! What the verbs share: the port to the driver, and the numbers of calls and steps.

use super::error::{Said, Thrown, argument, ended, thrown};
use crate::bench::{Bench, Channel, ChannelId};
use crate::document::nearest;
use crate::drive::SharedPort;
use crate::record::{Ending, Memory, Outcome, Place};
use crate::supervisor::{Answer, Call, Denial, Request, Statement};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rhai::NativeCallContext;
use std::cell::{Cell, RefCell};
use std::rc::Rc;
use std::sync::Arc;

/// The random numbers of a sequence have a stream of their own.
const RANDOM_STREAM: u64 = 0x5e9;

/// Calls in a row that a sequence may make while no time passes: they only fill the record.
pub const MOST_CALLS_WITHOUT_TIME: u32 = 10_000;
/// Of these, each second of waiting makes up for so many, and so does an exchange with an instrument.
const CALLS_PER_PAUSE: f64 = 100.0;
/// Bytes that a sequence may put into the record while no time passes. Of these, the time makes up for the same part.
const MOST_BYTES_WITHOUT_TIME: f64 = 64e6;
/// Notes, decisions, judgements and questions that a run may put into its record in all.
const MOST_RECORDS: u64 = 1_000_000;

/// Shared by all verbs of one run.
pub struct Host {
    /// The driver.
    pub port: SharedPort,
    /// The bench.
    pub bench: Arc<Bench>,
    /// What the logbook knew when the run began.
    pub memory: Arc<Memory>,
    /// Random numbers of the sequence, from the seed of the run: they need no record to repeat.
    pub random: RefCell<ChaCha8Rng>,
    /// Steps that are open, innermost last.
    pub steps: RefCell<Vec<u64>>,
    calls: Cell<u64>,
    step_count: Cell<u64>,
    /// While a rule of the sequence is asked, nothing may move.
    only_looks: Cell<bool>,
    /// Calls that no time has made up for yet.
    hasty: Cell<f64>,
    /// Bytes for the record that no time has made up for yet.
    hasty_bytes: Cell<f64>,
    /// Notes, decisions, judgements and questions so far.
    records: Cell<u64>,
}

impl std::fmt::Debug for Host {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Host").field("calls", &self.calls).finish_non_exhaustive()
    }
}

impl Host {
    /// For one run.
    pub fn new(port: SharedPort) -> Rc<Self> {
        let (bench, seed, memory) = {
            let port = port.borrow();
            (port.bench(), port.seed(), port.memory())
        };
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        random.set_stream(RANDOM_STREAM);
        Rc::new(Self {
            port,
            bench,
            memory,
            random: RefCell::new(random),
            steps: RefCell::new(Vec::new()),
            calls: Cell::new(0),
            step_count: Cell::new(0),
            only_looks: Cell::new(false),
            hasty: Cell::new(0.0),
            hasty_bytes: Cell::new(0.0),
            records: Cell::new(0),
        })
    }

    /// Calls made so far.
    pub fn calls(&self) -> u64 {
        self.calls.get()
    }

    /// Asks a rule of the sequence, which may read and record but move nothing.
    pub fn only_looking<T>(&self, ask: impl FnOnce() -> T) -> T {
        let outside = self.only_looks.replace(true);
        let answer = ask();
        self.only_looks.set(outside);
        answer
    }

    /// Makes a call and waits for its answer.
    pub fn call(&self, ctx: &NativeCallContext<'_>, request: Request) -> Result<Answer, Thrown> {
        let looks = matches!(
            request,
            Request::Read { .. }
                | Request::Wait { .. }
                | Request::Settle
                | Request::Record(_)
                | Request::Ask(_)
        );
        if self.only_looks.get() && !looks {
            let wrong = format!("`{}` can't be used here: a rule or a condition only looks", request.verb());
            return Err(argument(ctx, Said::with(wrong, "do it after the sweep or the wait")));
        }
        let n = self.calls.get();
        self.calls.set(n + 1);
        let place = place_of(ctx);
        if let Some(reason) = self.records_without_end(&request) {
            let ending = Ending { outcome: Outcome::Failed, reason, place, latched: false };
            return Err(ended(ending, ctx.call_position()));
        }
        let (pause, bytes) = (pause_in_calls(&request), bytes_of(&request));
        let reply = self.port.borrow_mut().request(Call { n, place, request });
        // What was refused took no time.
        let pause = if reply.is_ok() { pause } else { 0.0 };
        self.hasty.set((self.hasty.get() + 1.0 - pause).max(0.0));
        let made_up = pause * MOST_BYTES_WITHOUT_TIME / f64::from(MOST_CALLS_WITHOUT_TIME);
        self.hasty_bytes.set((self.hasty_bytes.get() + bytes - made_up).max(0.0));
        reply.map_err(|denial| match denial {
            Denial::Ended(ending) => ended(ending, ctx.call_position()),
            Denial::Instrument(error) => thrown(ctx, "instrument", error.kind.word(), error.to_string()),
            Denial::Forbidden(reason) => thrown(ctx, "forbidden", "refused", &reason),
        })
    }

    /// Why this call is one too many. It goes by the calls alone, so a replay ends at the same one.
    fn records_without_end(&self, request: &Request) -> Option<String> {
        if matches!(request, Request::Record(_) | Request::Ask(_)) {
            self.records.set(self.records.get() + 1);
        }
        let verb = request.verb();
        if self.hasty.get() >= f64::from(MOST_CALLS_WITHOUT_TIME) {
            return Some(format!(
                "the sequence records without end: it made {MOST_CALLS_WITHOUT_TIME} calls while hardly any time passed, the last one `{verb}`; put wait(1.s) into the loop, or record less"
            ));
        }
        if self.hasty_bytes.get() >= MOST_BYTES_WITHOUT_TIME {
            let megabytes = MOST_BYTES_WITHOUT_TIME / 1e6;
            return Some(format!(
                "the sequence records without end: it put {megabytes} MB into the record while hardly any time passed, the last call `{verb}`; put wait(1.s) into the loop, or record less"
            ));
        }
        (self.records.get() > MOST_RECORDS).then(|| {
            format!("the sequence has put {MOST_RECORDS} notes, decisions and questions into the record, the last one `{verb}`; a run takes no more")
        })
    }

    /// Makes a call that is answered with a number.
    pub fn number(&self, ctx: &NativeCallContext<'_>, request: Request) -> Result<f64, Thrown> {
        match self.call(ctx, request)? {
            Answer::Number(number) => Ok(number),
            other => Err(thrown(ctx, "defect", "defect", format!("a number was expected, not {other:?}"))),
        }
    }

    /// Puts something into the record.
    pub fn record(&self, ctx: &NativeCallContext<'_>, statement: Statement) -> Result<(), Thrown> {
        self.call(ctx, Request::Record(statement)).map(|_| ())
    }

    /// Number of the next step.
    pub fn next_step(&self) -> u64 {
        let step = self.step_count.get();
        self.step_count.set(step + 1);
        step
    }

    /// The channel of a name or role.
    pub fn channel(&self, ctx: &NativeCallContext<'_>, name: &str) -> Result<ChannelId, Thrown> {
        self.bench.find(name).ok_or_else(|| {
            let names = self.bench.names();
            let near = nearest(name, names.iter().map(String::as_str));
            let wrong = format!("the bench has no channel and no role `{name}`");
            thrown(ctx, "argument", "unknown", Said::meant(wrong, near))
        })
    }

    /// The channel with this index.
    pub fn channel_at(&self, id: ChannelId) -> &Channel {
        self.bench.channel(id)
    }
}

/// How many calls the time makes up for that passes in this one.
fn pause_in_calls(request: &Request) -> f64 {
    match request {
        Request::Record(_) | Request::Ask(_) => 0.0,
        Request::Wait { seconds } => CALLS_PER_PAUSE * seconds,
        Request::Set { .. } | Request::Read { .. } => CALLS_PER_PAUSE,
        _ => f64::INFINITY,
    }
}

/// What a call puts into the record beside its place, as JSON, with the numbers of a table that stand apart.
fn bytes_of(request: &Request) -> f64 {
    let Request::Record(statement) = request else { return 0.0 };
    let apart = if let Statement::Table(table) = statement { size_of_val(&*table.bulk) } else { 0 };
    let mut counted = Counted(apart);
    serde_json::to_writer(&mut counted, statement).expect("counting takes everything");
    counted.0 as f64
}

/// Counts what is written.
struct Counted(usize);

impl std::io::Write for Counted {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0 += bytes.len();
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Where in the sequence a verb is called.
pub fn place_of(ctx: &NativeCallContext<'_>) -> Place {
    let file = ctx.call_source().map(file_name).unwrap_or_default();
    let line = ctx.call_position().line().unwrap_or(0);
    Place { file, line: u32::try_from(line).unwrap_or(u32::MAX) }
}

/// The last part of a path, so that no folder gets into the record.
pub fn file_name(path: &str) -> String {
    path.rsplit(['/', '\\']).next().unwrap_or(path).to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::Port;
    use crate::script::{ScriptEnd, Sequence, run};
    use crate::supervisor::Reply;

    /// Does at once whatever it is asked.
    struct Nods(Arc<Bench>, u64);

    impl Port for Nods {
        fn bench(&self) -> Arc<Bench> {
            Arc::clone(&self.0)
        }

        fn request(&mut self, call: Call) -> Reply {
            self.1 = call.n + 1;
            match call.request {
                Request::Ask(_) => Ok(Answer::Number(1.0)),
                Request::Set { .. } => Err(Denial::Forbidden("not now".to_owned())),
                _ => Ok(Answer::Done),
            }
        }

        fn computed(&mut self, _operations: u64) -> Option<Ending> {
            None
        }

        fn seed(&self) -> u64 {
            1
        }
    }

    fn ended(text: &str) -> (ScriptEnd, u64) {
        let port = Rc::new(RefCell::new(Nods(Arc::new(crate::bench::builtin()), 0)));
        let (end, _) = run(&Sequence::from_text("test.rhai", text), port.clone());
        let calls = port.borrow().1;
        (end, calls)
    }

    #[test]
    fn a_sequence_that_records_without_time_passing_is_ended_at_its_line() {
        for text in [
            "let n = 0;\nwhile n < 10 {\n    note(\"x\"); }",
            "fn say() {\nlet t = 0;\n    note(\"x\"); }\nwhile 1 < 2 { say(); }",
            "loop {\n    try {\n set(\"Bias\", 5.mV); } catch (e) { } }",
            "loop {\n    try {\n elapsed(); } catch (e) { } }",
            "loop {\n    wait(1.us);\n    note(\"x\"); }",
        ] {
            let (end, calls) = ended(text);
            assert_eq!((end.outcome, end.place.line), (Outcome::Failed, 3), "{text}: {}", end.reason);
            assert!(end.reason.contains("records without end"), "{text}: {}", end.reason);
            assert!((10_000..10_100).contains(&calls), "{text}: {calls}");
        }
    }

    /// A thousand letters for each of `long`.
    fn noted(long: usize, rest: &str) -> String {
        let text = "x".repeat(1000);
        format!("let t = \"{text}\";\nlet l = \"\"; for i in 0..{long} {{ l += t; }}\n{rest}")
    }

    #[test]
    fn long_records_are_counted_by_their_length() {
        // 640 notes of 100 kB are 64 MB.
        let (end, calls) = ended(&noted(100, "for i in 0..9000 { note(l); }"));
        assert_eq!((end.outcome, end.place.line), (Outcome::Failed, 3), "{}", end.reason);
        assert!(end.reason.contains("64 MB") && end.reason.contains("`note`"), "{}", end.reason);
        assert!((635..=641).contains(&calls), "{calls}");
        // A second makes up for a hundredth of it.
        let paced = "for i in 0..2000 { note(l); wait(200.ms); }";
        let bursts = "for i in 0..4 { for j in 0..600 { note(l); } settle(); }";
        for (rest, wanted) in [(paced, 4000), (bursts, 2404)] {
            let (end, calls) = ended(&noted(100, rest));
            assert_eq!((end.outcome, calls), (Outcome::Finished, wanted), "{}", end.reason);
        }
    }

    #[test]
    fn a_run_puts_only_so_much_into_its_record_in_all() {
        let (end, calls) = ended("loop { for i in 0..9000 { note(\"x\"); }\n settle(); }");
        assert_eq!((end.outcome, end.place.line), (Outcome::Failed, 1), "{}", end.reason);
        assert!(end.reason.contains("1000000 notes") && end.reason.contains("`note`"), "{}", end.reason);
        assert_eq!(calls, MOST_RECORDS + MOST_RECORDS / 9000);
    }

    #[test]
    fn what_takes_its_time_may_record_for_long() {
        let paced = "for i in 0..30000 { note(\"x\"); wait(100.ms); }";
        let bursts = "for i in 0..4 { for j in 0..9000 { note(\"x\"); } settle(); }";
        for (text, wanted) in [(paced, 60_000), (bursts, 36_004)] {
            let (end, calls) = ended(text);
            assert_eq!((end.outcome, calls), (Outcome::Finished, wanted), "{}", end.reason);
        }
    }
}
