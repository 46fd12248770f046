//! What the verbs share: the port to the driver, and the numbers of calls and steps.

use super::error::{Thrown, ended, thrown};
use crate::bench::{Bench, Channel, ChannelId};
use crate::document::nearest;
use crate::drive::SharedPort;
use crate::record::Place;
use crate::supervisor::{Answer, Call, Denial, Jot, Request};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rhai::NativeCallContext;
use std::cell::{Cell, RefCell};
use std::rc::Rc;
use std::sync::Arc;

/// The random numbers of a sequence have a stream of their own.
const RANDOM_STREAM: u64 = 0x5e9;

/// Shared by all verbs of one run.
pub struct Host {
    /// The driver.
    pub port: SharedPort,
    /// The bench.
    pub bench: Arc<Bench>,
    /// Random numbers of the sequence, from the seed of the run: they need no record to repeat.
    pub random: RefCell<ChaCha8Rng>,
    /// Steps that are open, innermost last.
    pub steps: RefCell<Vec<u64>>,
    calls: Cell<u64>,
    step_count: Cell<u64>,
}

impl std::fmt::Debug for Host {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Host").field("calls", &self.calls).finish_non_exhaustive()
    }
}

impl Host {
    /// For one run.
    pub fn new(port: SharedPort) -> Rc<Self> {
        let (bench, seed) = {
            let port = port.borrow();
            (port.bench(), port.seed())
        };
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        random.set_stream(RANDOM_STREAM);
        Rc::new(Self {
            port,
            bench,
            random: RefCell::new(random),
            steps: RefCell::new(Vec::new()),
            calls: Cell::new(0),
            step_count: Cell::new(0),
        })
    }

    /// Calls made so far.
    pub fn calls(&self) -> u64 {
        self.calls.get()
    }

    /// Makes a call and waits for its answer.
    pub fn call(&self, ctx: &NativeCallContext<'_>, request: Request) -> Result<Answer, Thrown> {
        let n = self.calls.get();
        self.calls.set(n + 1);
        let call = Call { n, place: place_of(ctx), request };
        let reply = self.port.borrow_mut().request(call);
        reply.map_err(|denial| match denial {
            Denial::Ended(ending) => ended(ending, ctx.call_position()),
            Denial::Instrument(error) => thrown(ctx, "instrument", error.kind.word(), &error.to_string()),
            Denial::Forbidden(reason) => thrown(ctx, "forbidden", "refused", &reason),
        })
    }

    /// Makes a call that is answered with a number.
    pub fn number(&self, ctx: &NativeCallContext<'_>, request: Request) -> Result<f64, Thrown> {
        match self.call(ctx, request)? {
            Answer::Number(number) => Ok(number),
            other => Err(thrown(ctx, "defect", "defect", &format!("a number was expected, not {other:?}"))),
        }
    }

    /// Puts something into the record.
    pub fn record(&self, ctx: &NativeCallContext<'_>, jot: Jot) -> Result<(), Thrown> {
        self.call(ctx, Request::Record(jot)).map(|_| ())
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
            let hint = nearest(name, names.iter().map(String::as_str));
            let hint = hint.map(|near| format!("; did you mean `{near}`?")).unwrap_or_default();
            thrown(
                ctx,
                "argument",
                "unknown",
                &format!("the bench has no channel and no role `{name}`{hint}"),
            )
        })
    }

    /// The channel with this index.
    pub fn channel_at(&self, id: ChannelId) -> &Channel {
        self.bench.channel(id)
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
