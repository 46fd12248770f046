//! What verbs give back: bulk data stays in native handles, never in script arrays.

use crate::analysis::fit::Fit;
use crate::analysis::joint::Judgement;
use crate::analysis::realness::ResonanceLaw;
use crate::analysis::transmission::Transmission;
use crate::bench::{Bench, ChannelId};
use crate::quantity::{Dimension, Quantity};
use crate::supervisor::SweepData;
use std::rc::Rc;
use std::sync::Arc;

pub use super::numbers::Numbers;

/// An axis and the readings along it.
pub type Curve = (Vec<f64>, Vec<f64>);

/// A measured sweep.
#[derive(Debug, Clone)]
pub struct Sweep {
    /// The data.
    pub data: Rc<SweepData>,
    /// The bench, for names and units.
    pub bench: Arc<Bench>,
}

impl Sweep {
    /// Number of points.
    pub fn points(&self) -> usize {
        self.data.values.len() / self.data.plan.read.len().max(1)
    }

    /// Values of the fast axis, SI, in the order of measurement.
    pub fn x(&self) -> Vec<f64> {
        (0..self.points()).map(|i| self.data.plan.at(i as u64).0).collect()
    }

    /// Readings of a channel by name or role, SI; none if it was not read.
    pub fn column(&self, name: &str) -> Option<Numbers> {
        let id = self.bench.find(name)?;
        if id == self.data.plan.fast.channel {
            return Some(Numbers::new(self.x(), self.bench.channel(id).dimension()));
        }
        let at = self.data.plan.read.iter().position(|read| *read == id)?;
        let width = self.data.plan.read.len();
        let values = self.data.values.iter().skip(at).step_by(width).copied().collect();
        Some(Numbers::new(values, self.bench.channel(id).dimension()))
    }

    /// The axis, rising, and the readings of a channel in stretches without gaps and doubtful points; two ways of one
    /// line are averaged point by point, and so are several passes.
    pub fn stretches(&self, name: &str) -> Option<Vec<Curve>> {
        let places = self.places(name)?;
        let stretches = places.chunk_by(|a, b| a.sound() == b.sound()).filter(|stretch| stretch[0].sound());
        Some(stretches.map(|stretch| stretch.iter().map(|place| (place.x, place.y)).unzip()).collect())
    }

    /// The places along the axis with what was read there. A line that goes one way, there and back, or in passes rises;
    /// a map is in the order of measurement.
    pub fn places(&self, name: &str) -> Option<Vec<Seen>> {
        let values = &self.column(name)?.values;
        let plan = &self.data.plan;
        let seen = |(i, y): (usize, &f64)| {
            let x = plan.at(i as u64).0;
            Seen {
                x,
                y: *y,
                error: f64::NAN,
                count: u32::from(!self.data.doubtful.holds(i as u64) && y.is_finite()),
            }
        };
        let mut all: Vec<Seen> = values.iter().enumerate().map(seen).collect();
        if plan.slow.is_some() {
            return Some(all);
        }
        let line = usize::try_from(plan.fast.points).unwrap_or(0);
        if plan.both_ways && all.len() == 2 * line {
            // Of two ways a place needs both.
            for i in 0..line {
                let (there, back) = (all[i], all[2 * line - 1 - i]);
                let (y, error) = (0.5 * (there.y + back.y), 0.5 * (there.y - back.y).abs());
                let count = if there.sound() && back.sound() { 2 } else { 0 };
                all[i] = Seen { y, error, count, ..there };
            }
            all.truncate(line);
        }
        if !plan.places.is_empty() {
            all.sort_by(|a, b| a.x.total_cmp(&b.x));
            return Some(all.chunk_by(|a, b| a.x == b.x).map(Seen::together).collect());
        }
        if plan.fast.from > plan.fast.to {
            all.reverse();
        }
        Some(all)
    }

    /// The standard error of the mean at a place, from how the passes differ there, over all places; nothing before two
    /// passes are complete.
    pub fn mean_error(&self, channel: ChannelId) -> Option<f64> {
        let places = self.places(&self.bench.channel(channel).name)?;
        let errors: Vec<f64> =
            places.iter().filter(|place| place.count > 1).map(|place| place.error).collect();
        let square: f64 = errors.iter().map(|error| error * error).sum();
        (!errors.is_empty()).then(|| (square / errors.len() as f64).sqrt())
    }

    /// All points that are not doubtful, as [`Self::stretches`] has them.
    pub fn spectrum(&self, name: &str) -> Option<Curve> {
        Some(self.stretches(name)?.into_iter().fold(Curve::default(), |(mut x, mut y), (more_x, more_y)| {
            x.extend(more_x);
            y.extend(more_y);
            (x, y)
        }))
    }

    /// What is said where doubtful points were left out: `, 3 doubtful points left out`, or nothing.
    pub fn left_out_in_words(&self) -> String {
        match self.data.doubtful.count() {
            0 => String::new(),
            1 => ", 1 doubtful point left out".to_owned(),
            count => format!(", {count} doubtful points left out"),
        }
    }

    /// Names of the channels that were read.
    pub fn names(&self) -> Vec<String> {
        self.data.plan.read.iter().map(|id| self.bench.channel(*id).name.clone()).collect()
    }
}

/// What was read at a place along an axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// The place, SI.
    pub x: f64,
    /// The mean of the sound readings there, SI.
    pub y: f64,
    /// Its standard error by how they differ, SI; not a number for one reading.
    pub error: f64,
    /// How many sound readings.
    pub count: u32,
}

impl Seen {
    /// Whether anything sound was read there.
    pub fn sound(&self) -> bool {
        self.count > 0
    }

    /// Of one place in several passes.
    fn together(passes: &[Self]) -> Self {
        let sound = || passes.iter().filter(|pass| pass.sound()).map(|pass| pass.y);
        let count = sound().count();
        let mean = sound().sum::<f64>() / count as f64;
        let square: f64 = sound().map(|y| (y - mean).powi(2)).sum();
        let error = (square / (count as f64 - 1.0) / count as f64).sqrt();
        let error = if count > 1 { error } else { f64::NAN };
        Self { x: passes[0].x, y: mean, error, count: u32::try_from(count).unwrap_or(u32::MAX) }
    }
}

/// A trace: readings evenly spaced in time.
#[derive(Debug, Clone)]
pub struct Trace {
    /// Name of the channel.
    pub channel: String,
    /// Its role, by which its column may be called as well.
    pub role: Option<&'static str>,
    /// The readings.
    pub numbers: Numbers,
    /// Distance in time, s.
    pub interval_s: f64,
}

/// An image of heights.
#[derive(Debug, Clone)]
pub struct Image {
    /// Heights, m, row by row from the lowest y.
    pub heights_m: Rc<[f64]>,
    /// Pixels along a side.
    pub pixels: u32,
    /// Centre, m.
    pub centre_m: (f64, f64),
    /// Side, m.
    pub size_m: f64,
}

/// What a parameter of a fit is measured in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measure {
    /// A place on the axis.
    X,
    /// A length on the axis.
    ChangeOfX,
    /// A value.
    Y,
    /// Values by the axis.
    Slope,
    /// A plain number.
    Plain,
}

impl Measure {
    /// By the parameter's name, without the number of its spectrum.
    pub fn of(name: &str) -> Self {
        match name.split('@').next().unwrap_or(name) {
            "centre" | "zero" => Measure::X,
            "width" | "spacing" | "decay" | "broadening" => Measure::ChangeOfX,
            "height" | "offset" => Measure::Y,
            "slope" => Measure::Slope,
            _ if name.starts_with("centre") || name.starts_with("step_") => Measure::X,
            _ if name.starts_with("height") => Measure::Y,
            _ => Measure::Plain,
        }
    }

    /// The dimension on axes of these dimensions.
    pub fn dimension(self, x: Dimension, y: Dimension) -> Dimension {
        match self {
            Measure::X => x,
            Measure::ChangeOfX => x.change(),
            Measure::Y => y,
            Measure::Slope => y.change().over(x.change()),
            Measure::Plain => Dimension::NONE,
        }
    }
}

/// A fit with what its parameters are measured in.
#[derive(Debug, Clone)]
pub struct FitHandle {
    /// The fit, in SI.
    pub fit: Rc<Fit>,
    /// Dimensions of x and of y.
    pub axes: (Dimension, Dimension),
    /// Of an own model, the dimension of each parameter.
    own: Rc<[(String, Dimension)]>,
}

impl FitHandle {
    /// A fit of a built-in shape on axes of these dimensions: its parameters are known by their names.
    pub fn new(fit: Fit, axes: (Dimension, Dimension)) -> Self {
        Self { fit: Rc::new(fit), axes, own: Rc::new([]) }
    }

    /// The fit of an own model, of which each parameter has a dimension of its own.
    #[must_use]
    pub fn with_units(self, own: Vec<(String, Dimension)>) -> Self {
        Self { own: own.into(), ..self }
    }

    /// Dimension of a parameter, by its name.
    pub fn dimension(&self, name: &str) -> Dimension {
        let bare = name.split('@').next().unwrap_or(name);
        let own = self.own.iter().find(|(known, _)| known == bare).map(|(_, dimension)| *dimension);
        own.unwrap_or_else(|| Measure::of(name).dimension(self.axes.0, self.axes.1))
    }

    /// A parameter as a quantity.
    pub fn value(&self, name: &str) -> Quantity {
        Quantity::new(self.fit.value(name), self.dimension(name))
    }

    /// Its standard error.
    pub fn error(&self, name: &str) -> Quantity {
        Quantity::new(self.fit.error(name), self.dimension(name).change())
    }
}

/// The line of resonance against field, and what speaks against it.
#[derive(Debug, Clone)]
pub struct ResonanceLawHandle(pub Rc<ResonanceLaw>, pub Rc<[String]>);

/// A verdict on spectra, and those on the states of the tip before.
#[derive(Debug, Clone)]
pub struct VerdictHandle(pub Rc<Judgement>, pub Rc<[VerdictHandle]>);

/// The transmission of the RF line.
#[derive(Debug, Clone)]
pub struct TransmissionHandle(pub Rc<Transmission>);

#[cfg(test)]
mod tests {
    use super::*;
    use crate::supervisor::{Axis, Doubtful, SweepPlan};

    fn sweep(both_ways: bool, doubtful: &[std::ops::Range<u64>]) -> Sweep {
        let bench = Arc::new(crate::bench::builtin());
        let [fast, read] = ["rf_frequency", "lockin_x"].map(|name| bench.find(name).unwrap());
        let axis = Axis { channel: fast, from: 6.0, to: 1.0, points: 6 };
        let plan = SweepPlan { both_ways, ..SweepPlan::plain("s", axis, vec![read]) };
        let values = (0..plan.total()).map(|i| i as f64).collect();
        let mut found = Doubtful::default();
        doubtful.iter().for_each(|stretch| found.push(stretch.clone()));
        Sweep {
            data: Rc::new(SweepData {
                sweep: 0,
                plan: Arc::new(plan),
                setpoint_a: None,
                doubtful: found,
                values,
            }),
            bench,
        }
    }

    #[test]
    fn doubtful_points_are_no_part_of_a_spectrum() {
        let all = sweep(false, &[]);
        assert_eq!(all.stretches("lockin_x").unwrap().len(), 1);
        assert_eq!(all.left_out_in_words(), "");
        let some = sweep(false, &[0..1, 3..4]);
        let stretches = some.stretches("lockin_x").unwrap();
        assert_eq!(stretches, [(vec![1.0, 2.0], vec![5.0, 4.0]), (vec![4.0, 5.0], vec![2.0, 1.0])]);
        assert_eq!(some.spectrum("lockin_x").unwrap(), (vec![1.0, 2.0, 4.0, 5.0], vec![5.0, 4.0, 2.0, 1.0]));
        assert_eq!(some.left_out_in_words(), ", 2 doubtful points left out");
        // Of two ways a place needs both.
        let both = sweep(true, &[1..2, 7..9]);
        assert_eq!(both.spectrum("lockin_x").unwrap(), (vec![1.0, 4.0, 6.0], vec![5.5, 5.5, 5.5]));
    }
}
