//! The run file: what is recorded, how it is kept, how it is read again.
//!
//! The run file is the truth. Nothing is reported as done before it is durable, and a
//! measurement that is not recorded did not happen. It is one SQLite file (write-ahead log,
//! `synchronous=FULL` for measurements); [`schema`] documents its tables.

/// Name of the run file in the folder of a run.
pub const RUN_FILE_NAME: &str = "run.sqlite";

mod acts;
mod answer;
mod budget;
mod compare;
mod doubts;
mod entry;
mod goal;
mod judgement;
mod last_words;
mod memory;
mod older;
mod operator;
mod own_table;
mod place;
mod plan;
mod point;
mod reader;
mod recorder;
mod replayed_rows;
mod request;
mod row;
mod safe_step;
mod salvage;
pub mod schema;
mod settings;
mod store;
mod tip;
mod tripped;
mod walk;
mod words;

pub use acts::{copy_acts, lost_act};
pub use answer::{Answer, Centred, Denial, Doubtful, Failure, HeliumOutlook, Reply, SweepData};
pub use budget::{Answered, Asked, Asking, Budget, Used};
pub use doubts::Doubt;
pub use entry::{
    Cause, Change, Column, Compared, Ending, Entry, Identity, NewWindow, Outcome, Place, Trouble, Unseen,
    WIDEST_POINT,
};
pub use goal::{
    Alternative, Choice, Evidence, Goal, GoalPlan, GoalState, Goals, PlanSaid, Precision, Shortfall, Turn,
};
pub use judgement::{
    FieldPoint, FitFound, FitLineFound, JudgementKind, LawFound, Parameter, SeriesPart, VerdictFound,
    VerdictWord, WorkedOut,
};
pub use memory::{KnownSpectrum, KnownSpin, Memory};
pub use operator::{HeldBy, Word};
pub use own_table::{OwnColumn, OwnTable};
pub use plan::{Again, Axis, SweepPlan};
pub use point::{Point, Values};
pub use reader::{Numbered, RunFile, SweepTable};
pub use recorder::{Difference, DigestOnly, RecordError, Recorder};
pub use request::{Call, CentrePlan, OWN_CALL, Question, Request, Statement};
pub use safe_step::{During, Found, SafeAct};
pub use salvage::{Salvage, SalvagedRow, salvage, salvage_into};
pub use settings::{Settings, TipNow};
pub use store::{Document, Durability, Store};
pub use tip::{
    Achieved, Beforehand, Declared, Earlier, GoodElsewhere, KeptSpin, TipFinding, TipLife, TipTest,
    TipVerdict,
};
pub use walk::Integrity;
