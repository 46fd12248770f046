//! Other areas of the sample, to which the coarse motor leads.

use super::Microscope;
use crate::act::ActReport;
use crate::noise::{Source, Stream};
use crate::sample::Site;

/// An area is a square of this half side round where the tip first came down in it, m: as large as those of the shipped
/// worlds.
const HALF_SIDE_M: f64 = 15e-9;
/// Nothing lies nearer to its neighbour than this, m.
const APART_M: f64 = 1.2e-9;
/// Farther than this from the middle of every known area the tip is in a new one, m.
const NEW_BEYOND_M: f64 = 45e-9;

/// The areas that were visited.
#[derive(Debug, Clone)]
pub(super) struct Areas {
    /// Middle of each in the frame of the sample, m.
    middles_m: Vec<[f64; 2]>,
    stream: Stream,
    /// Sites of the world file: what lies in other areas is like them.
    like: usize,
}

impl Areas {
    pub(super) fn new(sites: usize, seed: u64) -> Self {
        Self { middles_m: vec![[0.0; 2]], stream: Stream::new(seed, Source::Areas), like: sites }
    }
}

impl Microscope {
    /// The tip has gone so many coarse steps along the surface. Where nobody has been, the surface is strewn anew with
    /// the kinds of the world file, as densely as there.
    pub(super) fn shifted(&mut self, steps: [i32; 2]) -> ActReport {
        let (step_m, scatter) = (self.world.scanner.lateral_step_m, self.world.scanner.lateral_scatter);
        let way_m = steps.map(|n| f64::from(n) * step_m * (1.0 + scatter * self.areas.stream.normal()));
        self.sync_lock();
        self.response.generation += 1;
        // The tip goes forward, so to the scanner the sample goes back.
        self.drift.shift(way_m.map(|m| -m));
        let sample_m = self.drift.sample_m(self.now_s);
        let middle_m = [-sample_m[0], -sample_m[1]];
        let far = |known: &[f64; 2]| (known[0] - middle_m[0]).hypot(known[1] - middle_m[1]) > NEW_BEYOND_M;
        if self.areas.middles_m.iter().all(far) {
            self.strew(middle_m);
        }
        let [x, y] = steps;
        ActReport {
            achieved: true,
            remark: format!("{x} and {y} coarse steps along the surface"),
            data: Vec::new(),
        }
    }

    fn strew(&mut self, middle_m: [f64; 2]) {
        let areas = &mut self.areas;
        areas.middles_m.push(middle_m);
        let area = areas.middles_m.len();
        let first = self.surface.sites.len();
        for number in 1..=areas.like {
            let like = ((areas.stream.uniform() * areas.like as f64) as usize).min(areas.like - 1);
            let species = self.surface.sites[like].species;
            let at_m = middle_m.map(|m| m + HALF_SIDE_M * (2.0 * areas.stream.uniform() - 1.0));
            let crowded = self.surface.sites[first..]
                .iter()
                .any(|site| (site.at_m[0] - at_m[0]).hypot(site.at_m[1] - at_m[1]) < APART_M);
            // What would lie on something else is left out, so that areas are not all alike.
            if !crowded {
                let name = format!("area {area}, {number}");
                self.surface.sites.push(Site { name, species, at_m, present: true });
            }
        }
    }
}
