//! The microscope as a whole: let time pass, set, read, act.
//!
//! [`Microscope`] is lazy. [`Microscope::advance_to`] walks from event to event
//! (a grid of one second, jumps of the tip, samples of a trace) and everything
//! between two events has a closed form, so that reading changes nothing but the
//! noise stream of what is read. The same seed and the same commands give the same
//! world to the last bit, however often a gauge was looked at.

mod acting;
mod areas;
mod chronicle;
mod effects;
mod faults;
mod junction;
mod lock;
mod noise;
mod nuclei;
mod plant;
mod reading;
mod response;
mod scan;
mod setting;
mod time;
mod tip;
mod truth;

pub use chronicle::{Chronicle, ColdTruth, Part, SpinStay, TipStay, tip_field_within_t};
pub use effects::Effects;
pub use truth::{SpinTruth, Truth};

use crate::Signal;
use crate::act::ActReport;
use crate::drift::Drift;
use crate::sample::Surface;
use crate::tunnel::{Barrier, HeightLoop};
use crate::world::World;
use acting::Running;
use areas::Areas;
use chronicle::Diary;
use junction::{Junction, Motion, Remembered};
use lock::LockChain;
use noise::GaugeNoise;
use nuclei::Nuclei;
use plant::Plant;
use response::Response;
use std::sync::Arc;
use tip::TipState;

/// A simulated microscope.
///
/// ```
/// use noctule_sim::{Act, Signal, microscope::Microscope, world::World};
///
/// let world = World::shipped("night").unwrap();
/// let mut microscope = Microscope::new(&world, 7);
/// microscope.set(Signal::Bias, 0.06).unwrap();
/// microscope.set(Signal::Setpoint, 10e-12).unwrap();
/// let expected_s = microscope.begin(Act::Approach).unwrap();
/// microscope.advance_to(expected_s + 1.0);
/// assert!(microscope.poll().unwrap().achieved);
/// assert_eq!(microscope.read(Signal::Approached), 1.0);
/// let current_a = microscope.read(Signal::Current);
/// assert!((current_a / 10e-12 - 1.0).abs() < 0.3);
/// ```
#[derive(Debug, Clone)]
pub struct Microscope {
    world: Arc<World>,
    effects: Effects,
    diary: Diary,
    now_s: f64,
    ticks: u64,
    knobs: Knobs,
    plant: Plant,
    tip: TipState,
    nuclei: Nuclei,
    surface: Surface,
    areas: Areas,
    drift: Drift,
    barrier: Barrier,
    height_loop: HeightLoop,
    motion: Motion,
    lock: LockChain,
    response: Response,
    noise: GaugeNoise,
    lasting: faults::Lasting,
    running: Option<Running>,
    report: Option<ActReport>,
    /// The junction as a gauge found it at this moment: several gauges read at once share it.
    seen: Option<Junction>,
    /// Effective voltage of the film by bias and thermal energy.
    film: Remembered<2>,
    /// That of the steps of the spin under the tip by bias, thermal energy, its own energy and its site.
    steps: Remembered<4>,
    /// Order of a spin at the node that is nearest to its energy over the temperature.
    order: Remembered<1>,
    /// Polarisation of the spin by its energy and the temperature.
    polarisation: Remembered<2>,
}

/// What is set and kept here; devices keep their own settings.
#[derive(Debug, Clone, Copy)]
struct Knobs {
    bias_v: f64,
    setpoint_a: f64,
    modulation_v: f64,
    reference: LockReference,
}

/// What the lock-in looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum LockReference {
    Chop,
    Fundamental,
    Second,
}

impl Microscope {
    /// The world at time 0: tip withdrawn at the middle of the scanner's frame, bias
    /// 50 mV, setpoint 10 pA, RF off, field 0.
    pub fn new(world: &World, seed: u64) -> Self {
        let world = Arc::new(world.clone());
        let effects = world.effects;
        let mut microscope = Self {
            now_s: 0.0,
            ticks: 0,
            knobs: Knobs {
                bias_v: 0.05,
                setpoint_a: 10e-12,
                modulation_v: 0.0,
                reference: LockReference::Chop,
            },
            plant: Plant::new(&world, effects, seed),
            tip: TipState::new(&world.tip, &effects, seed),
            nuclei: Nuclei::new(&effects, seed),
            effects,
            diary: Diary::new(&world.tip.apex),
            surface: world.surface.clone(),
            areas: Areas::new(world.surface.sites.len(), seed),
            drift: Drift::new(world.drift, seed),
            barrier: Barrier::new(world.junction.work_function_ev),
            height_loop: HeightLoop::new(world.scanner.bandwidth_hz),
            motion: Motion::withdrawn(world.scanner.withdraw_m),
            lock: LockChain::new(world.lockin.clone(), seed),
            response: Response::new(),
            noise: GaugeNoise::new(seed),
            lasting: faults::Lasting::default(),
            running: None,
            report: None,
            seen: None,
            film: Remembered::default(),
            steps: Remembered::default(),
            order: Remembered::default(),
            polarisation: Remembered::default(),
            world,
        };
        microscope.refresh();
        microscope
    }

    /// Time since the start, s.
    pub fn now_s(&self) -> f64 {
        self.now_s
    }

    /// The world it was made from. What has changed since is in [`Microscope::truth`].
    pub fn world(&self) -> &World {
        &self.world
    }

    fn gauge(&mut self, signal: Signal) -> &mut crate::noise::Stream {
        self.noise.stream(signal)
    }
}
