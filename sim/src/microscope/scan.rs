//! Scanning an image, pixel by pixel in time.

use super::Microscope;
use super::acting::Running;
use crate::act::{Act, ActReport};

impl Microscope {
    /// One pixel is over: its height is what the loop had reached. Lines run forward with
    /// growing x and back again, from the lowest y up; the way back is not recorded.
    pub(super) fn pixel(&mut self, running: &mut Running) -> Option<ActReport> {
        let Act::Image { x_m, y_m, size_m, pixels, line_s } = running.act else { return None };
        let across = running.count % (2 * pixels);
        let row = running.count / (2 * pixels);
        let forward = across < pixels;
        let column = if forward { across } else { 2 * pixels - 1 - across };
        let place = |index: u32| (f64::from(index) + 0.5) / f64::from(pixels) - 0.5;
        let to_m = [x_m + size_m * place(column), y_m + size_m * place(row)];
        let now_s = self.now_s;
        // The tip was on its way here since the last pixel: the loop has had that time.
        let before_s = now_s - line_s / f64::from(pixels);
        self.follow(before_s, to_m);
        if forward {
            let noise_m = self.world.scanner.height_noise_m * self.gauge(crate::Signal::Height).normal();
            let (junction, _) = self.junction();
            running.data.push(junction.gap_m + junction.surface_m + noise_m);
        }
        running.count += 1;
        running.next_s = running.started_s + f64::from(running.count + 1) * line_s / f64::from(pixels);
        if running.count < 2 * pixels * pixels {
            return None;
        }
        let origin_m = running.origin_m;
        self.through_change(|m| m.motion.jump(now_s, origin_m));
        self.refresh();
        Some(ActReport {
            achieved: true,
            remark: format!("an image of {pixels} by {pixels} pixels"),
            data: std::mem::take(&mut running.data),
        })
    }

    /// The tip has come to `to_m` and the loop has followed since `before_s`.
    fn follow(&mut self, before_s: f64, to_m: [f64; 2]) {
        let now_s = self.now_s;
        if !self.motion.approached {
            self.motion.jump(now_s, to_m);
            return;
        }
        let (junction, _) = self.junction();
        let height_m = junction.gap_m + junction.surface_m;
        self.motion.jump(now_s, to_m);
        let (_, target_m) = self.junction();
        // Seated at the start of the step, the loop has relaxed by now.
        self.height_loop.reseat(before_s, height_m, target_m);
    }
}
