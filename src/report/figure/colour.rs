//! The colour map of heat maps: even steps of perceived difference, rising lightness.
//!
//! The path runs in CIELAB (ISO/CIE 11664-4) from a dark blue over sea green to a pale yellow, and is walked in
//! steps of equal colour difference, so that equal differences of value look equally different, and the map can
//! be read in grey as well.

use std::sync::OnceLock;

const STEPS: usize = 256;
/// Places along the path that are tried when it is measured out.
const FINE: usize = 2000;
/// D65 white.
const WHITE: [f64; 3] = [0.950_47, 1.0, 1.088_83];

/// The colour of a value from 0 to 1; values outside get the colour of the end, what is no number gets grey.
pub fn colour_of(part: f64) -> [u8; 3] {
    if part.is_nan() {
        return [0x9a, 0x9a, 0x9a];
    }
    static TABLE: OnceLock<Vec<[u8; 3]>> = OnceLock::new();
    let table = TABLE.get_or_init(table);
    table[(part.clamp(0.0, 1.0) * (STEPS - 1) as f64).round() as usize]
}

fn path(t: f64) -> [f64; 3] {
    let lightness = 14.0 + 80.0 * t;
    // A screen shows least chroma in the dark blues and greens (22 at t = 0.2) and much more in the light greens;
    // the path keeps inside that all the way, since a clipped colour would break the even steps.
    let chroma = 21.5 + 4.5 * (1.0 - t).powi(8) + 24.0 * (-((t - 0.8) / 0.25).powi(2)).exp();
    let hue = (282.0 - 184.0 * t).to_radians();
    [lightness, chroma * hue.cos(), chroma * hue.sin()]
}

fn table() -> Vec<[u8; 3]> {
    let fine: Vec<[f64; 3]> = (0..=FINE).map(|i| path(i as f64 / FINE as f64)).collect();
    let mut length = vec![0.0];
    for pair in fine.windows(2) {
        let last = length[length.len() - 1];
        length.push(last + distance(pair[0], pair[1]));
    }
    let whole = length[FINE];
    (0..STEPS)
        .map(|i| {
            let wanted = whole * i as f64 / (STEPS - 1) as f64;
            let at = length.partition_point(|l| *l < wanted).min(FINE);
            to_srgb(fine[at])
        })
        .collect()
}

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt()
}

fn to_srgb(lab: [f64; 3]) -> [u8; 3] {
    let fy = (lab[0] + 16.0) / 116.0;
    let inverse =
        |f: f64| if f > 6.0 / 29.0 { f.powi(3) } else { 3.0 * (6.0_f64 / 29.0).powi(2) * (f - 4.0 / 29.0) };
    let x = WHITE[0] * inverse(fy + lab[1] / 500.0);
    let y = WHITE[1] * inverse(fy);
    let z = WHITE[2] * inverse(fy - lab[2] / 200.0);
    // Matrix of IEC 61966-2-1.
    let linear = [
        3.240_625_5 * x - 1.537_208 * y - 0.498_628_6 * z,
        -0.968_930_7 * x + 1.875_756_1 * y + 0.041_517_5 * z,
        0.055_710_1 * x - 0.204_021_1 * y + 1.056_995_9 * z,
    ];
    linear.map(|c| {
        let c = c.clamp(0.0, 1.0);
        let coded = if c <= 0.003_130_8 { 12.92 * c } else { 1.055 * c.powf(1.0 / 2.4) - 0.055 };
        (coded * 255.0).round() as u8
    })
}

/// Lightness and the two colour coordinates of a screen colour in CIELAB, white point D65.
pub fn lab_of(colour: [u8; 3]) -> [f64; 3] {
    let [r, g, b] = colour.map(|c| {
        let c = f64::from(c) / 255.0;
        if c <= 0.040_45 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    });
    let xyz = [
        0.412_4 * r + 0.357_6 * g + 0.180_5 * b,
        0.212_6 * r + 0.715_2 * g + 0.072_2 * b,
        0.019_3 * r + 0.119_2 * g + 0.950_5 * b,
    ];
    let f = |t: f64| {
        if t > (6.0_f64 / 29.0).powi(3) {
            t.cbrt()
        } else {
            t / (3.0 * (6.0_f64 / 29.0).powi(2)) + 4.0 / 29.0
        }
    };
    let [fx, fy, fz] = [f(xyz[0] / WHITE[0]), f(xyz[1] / WHITE[1]), f(xyz[2] / WHITE[2])];
    [116.0 * fy - 16.0, 500.0 * (fx - fy), 200.0 * (fy - fz)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_steps_look_equally_different_and_lightness_only_rises() {
        // One step of one of the three bytes of a colour is a difference of up to 0.5, so the evenness is looked at
        // over 17 steps of the table, where rounding to bytes makes at most a tenth.
        let labs: Vec<[f64; 3]> = (0..=15).map(|i| lab_of(colour_of(f64::from(i) / 15.0))).collect();
        let steps: Vec<f64> = labs.windows(2).map(|w| distance(w[0], w[1])).collect();
        let mean = steps.iter().sum::<f64>() / steps.len() as f64;
        for (i, step) in steps.iter().enumerate() {
            assert!((step / mean - 1.0).abs() < 0.1, "step {i}: {step} against {mean}");
        }
        assert!(labs.windows(2).all(|w| w[1][0] > w[0][0]));
        assert!(labs[15][0] - labs[0][0] > 75.0);
    }

    #[test]
    fn no_colour_of_the_path_is_clipped() {
        for i in 0..=100 {
            let wanted = path(f64::from(i) / 100.0);
            let shown = lab_of(to_srgb(wanted));
            assert!(distance(wanted, shown) < 1.0, "{i}: {wanted:?} is shown as {shown:?}");
        }
    }

    #[test]
    fn known_colours_have_their_known_coordinates() {
        // CIELAB of the primaries of IEC 61966-2-1, from memory, not checked: red is (53.2, 80.1, 67.2).
        let red = lab_of([255, 0, 0]);
        assert!((red[0] - 53.2).abs() < 0.1 && (red[1] - 80.1).abs() < 0.1 && (red[2] - 67.2).abs() < 0.1);
        let white = lab_of([255, 255, 255]);
        assert!((white[0] - 100.0).abs() < 0.01 && white[1].abs() < 0.05 && white[2].abs() < 0.05);
        assert_eq!(to_srgb(lab_of([31, 95, 139])), [31, 95, 139]);
    }
}
