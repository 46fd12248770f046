//! Places of spins: maps of areas, and where the scanner stands on them.
//!
//! An area is known by the pattern of what lies in it. An image belongs to a known area if one shift brings most of its
//! spots onto spots of the map, and no other shift of any map does nearly as well; else it is a new area. Between images
//! the shift follows each top on which the tip is centred. Where the shift is not known, no spin is named: a wrong one is
//! worse than none.

/// A place that stands out in an image: where, and how high, m.
pub type Spot = [f64; 3];

/// A spot of an image lies on one of the map within this distance, m.
const SAME_M: f64 = 0.45e-9;
/// Their heights differ by this at most, m.
const SAME_HEIGHT_M: f64 = 0.04e-9;
/// So many spots at least must agree.
const LEAST: usize = 4;
/// Of the spots that could agree, this part must.
const PART: f64 = 0.6;
/// Where so large a part of an image agrees without any search, nothing else is looked for.
const STILL: f64 = 0.75;
/// The next best shift agrees in this part of them at most.
const RUNNER_UP: f64 = 0.7;
/// Agreement of that many spots comes about by chance in this part of all searches at most.
const BY_CHANCE: f64 = 2e-3;
/// A top on which the tip was centred belongs to a spot so near, m …
const TOP_M: f64 = 0.5e-9;
/// … or so near, where the next one is this many times as far: a long move creeps behind.
const LONE_TOP_M: f64 = 1.0e-9;
const LONE: f64 = 3.0;

/// A map of an area, in the frame of the image that it was first seen in.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Area {
    /// What lies there.
    pub spots: Vec<Spot>,
}

/// Where the scanner stands: which area, and from a place of the scanner to one of the map, m.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing {
    /// Which area.
    pub area: usize,
    /// Map less scanner.
    pub shift_m: [f64; 2],
}

/// All areas that are known.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Maps {
    /// The areas in the order in which they were first seen.
    pub areas: Vec<Area>,
    /// Where the scanner stands now, where that is known.
    pub standing: Option<Standing>,
}

fn apart_m(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

fn add(a: [f64; 2], b: [f64; 2]) -> [f64; 2] {
    [a[0] + b[0], a[1] + b[1]]
}

/// How many spots a shift brings onto spots of a map, and the mean of what is left.
pub fn agreeing(map: &[Spot], image: &[Spot], shift_m: [f64; 2]) -> (usize, [f64; 2]) {
    let (mut count, mut rest) = (0, [0.0; 2]);
    for spot in image {
        let at = add([spot[0], spot[1]], shift_m);
        let on = map.iter().find(|known| {
            apart_m([known[0], known[1]], at) < SAME_M && (known[2] - spot[2]).abs() < SAME_HEIGHT_M
        });
        if let Some(known) = on {
            count += 1;
            rest = [rest[0] + known[0] - at[0], rest[1] + known[1] - at[1]];
        }
    }
    (count, rest.map(|sum| sum / count.max(1) as f64))
}

/// Corners of the least box round some spots, widened by what counts as the same.
fn box_round(spots: &[Spot]) -> [[f64; 2]; 2] {
    [0, 1].map(|axis| {
        let along = spots.iter().map(|spot| spot[axis]);
        let (low, high) = along.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        [low - SAME_M, high + SAME_M]
    })
}

/// How many spots of either lie where the other one has some as well: the fewer of both could agree at most. A small frame
/// shows a part of a map, and a large one shows more than a map has. With it the part of searches in which chance alone
/// makes so many agree, for spots strewn anyhow (Poisson's law, textbook).
fn possible(map: &[Spot], image: &[Spot], shift_m: [f64; 2], count: usize) -> (usize, f64) {
    let moved: Vec<Spot> =
        image.iter().map(|spot| [spot[0] + shift_m[0], spot[1] + shift_m[1], spot[2]]).collect();
    let (theirs, ours) = (box_round(map), box_round(&moved));
    let within = |spots: &[Spot], sides: &[[f64; 2]; 2]| {
        let inside = |s: &&Spot| (0..2).all(|i| (sides[i][0]..=sides[i][1]).contains(&s[i]));
        spots.iter().filter(inside).count()
    };
    let (seen, known) = (within(&moved, &theirs), within(map, &ours));
    let side_m = |i: usize| (theirs[i][1].min(ours[i][1]) - theirs[i][0].max(ours[i][0])).max(2.0 * SAME_M);
    let taken = std::f64::consts::PI * SAME_M * SAME_M / (side_m(0) * side_m(1));
    let mean = (seen * known) as f64 * taken;
    // One pair agrees by the choice of the shift; the others would have to do so by themselves.
    let (mut term, mut fewer) = ((-mean).exp(), 0.0);
    for k in 1..count.max(1) {
        fewer += term;
        term *= mean / k as f64;
    }
    (seen.min(known), (map.len() * image.len()) as f64 * (1.0 - fewer).max(0.0))
}

impl Maps {
    /// The best shift of an image onto a map, with how many spots agree, and how many do for the next best.
    fn best(map: &[Spot], image: &[Spot]) -> Option<([f64; 2], usize, usize)> {
        let mut found: Vec<([f64; 2], usize)> = Vec::new();
        for known in map {
            for spot in image.iter().filter(|spot| (spot[2] - known[2]).abs() < SAME_HEIGHT_M) {
                let shift = [known[0] - spot[0], known[1] - spot[1]];
                let (count, rest) = agreeing(map, image, shift);
                found.push((add(shift, rest), count));
            }
        }
        let best = found.iter().copied().max_by_key(|(_, count)| *count)?;
        let others = found.iter().filter(|(shift, _)| apart_m(*shift, best.0) > 2.0 * SAME_M);
        Some((best.0, best.1, others.map(|(_, count)| *count).max().unwrap_or(0)))
    }

    /// An image was taken. It says where the scanner stands, and adds what is new to the map; an image of nothing known
    /// begins a new area. One that fits only half says nothing.
    pub fn image(&mut self, image: &[Spot]) {
        if image.len() < LEAST {
            return;
        }
        // Mostly the scanner stands where it stood, but for some drift.
        if let Some(Standing { area, shift_m }) = self.standing {
            let (count, rest) = agreeing(&self.areas[area].spots, image, shift_m);
            if count >= LEAST && count as f64 >= STILL * image.len() as f64 {
                let shift_m = add(shift_m, rest);
                self.standing = Some(Standing { area, shift_m });
                return self.extend(area, shift_m, image);
            }
        }
        let tried: Vec<(usize, [f64; 2], usize, usize)> = self
            .areas
            .iter()
            .enumerate()
            .filter_map(|(area, map)| {
                Self::best(&map.spots, image).map(|(shift, count, next)| (area, shift, count, next))
            })
            .collect();
        let best = tried.iter().copied().max_by_key(|(_, _, count, _)| *count);
        let Some((area, shift_m, count, next)) = best else { return self.begin(image) };
        let elsewhere = tried.iter().filter(|other| other.0 != area).map(|other| other.2).max().unwrap_or(0);
        let (possible, by_chance) = possible(&self.areas[area].spots, image, shift_m, count);
        let rivals = next.max(elsewhere) as f64;
        let enough = count >= LEAST && count as f64 >= PART * possible as f64 && by_chance < BY_CHANCE;
        if enough && rivals <= RUNNER_UP * count as f64 {
            self.standing = Some(Standing { area, shift_m });
            self.extend(area, shift_m, image);
        } else if (count as f64) < 0.4 * possible as f64 || count < LEAST {
            self.begin(image);
        } else {
            self.standing = None;
        }
    }

    fn begin(&mut self, image: &[Spot]) {
        self.standing = Some(Standing { area: self.areas.len(), shift_m: [0.0; 2] });
        self.areas.push(Area { spots: image.to_vec() });
    }

    fn extend(&mut self, area: usize, shift_m: [f64; 2], image: &[Spot]) {
        for spot in image {
            let at = add([spot[0], spot[1]], shift_m);
            let spots = &mut self.areas[area].spots;
            if !spots.iter().any(|known| apart_m([known[0], known[1]], at) < 2.0 * SAME_M) {
                spots.push([at[0], at[1], spot[2]]);
            }
        }
    }

    /// The tip was centred on a top: the shift follows it, and the spot of the map is told, if it is certain.
    pub fn centred(&mut self, at_m: [f64; 2]) -> Option<(usize, usize)> {
        let standing = self.standing.as_mut()?;
        let at = add(at_m, standing.shift_m);
        let spots = &self.areas[standing.area].spots;
        let distance = |i: &usize| apart_m([spots[*i][0], spots[*i][1]], at);
        let nearest = (0..spots.len()).min_by(|a, b| distance(a).total_cmp(&distance(b)))?;
        let others = (0..spots.len()).filter(|i| *i != nearest).map(|i| distance(&i));
        let off_m = distance(&nearest);
        let alone = off_m <= LONE_TOP_M && others.fold(f64::INFINITY, f64::min) >= LONE * off_m;
        if off_m > TOP_M && !alone {
            return None;
        }
        standing.shift_m = [spots[nearest][0] - at_m[0], spots[nearest][1] - at_m[1]];
        Some((standing.area, nearest))
    }

    /// The coarse motor has moved: nobody knows where the scanner stands until an image shows it.
    pub fn shifted(&mut self) {
        self.standing = None;
    }

    /// Where an image lies on the maps that are known; nothing where that is not certain. Nothing is learnt from it.
    pub fn find(&self, image: &[Spot]) -> Option<Standing> {
        let mut tried = self.clone();
        tried.standing = None;
        tried.image(image);
        tried.standing.filter(|standing| standing.area < self.areas.len())
    }

    /// The area in the name of a spin.
    pub fn area_of(id: &str) -> usize {
        let letters = id.bytes().take_while(u8::is_ascii_uppercase);
        letters.fold(0, |area, letter| 26 * area + usize::from(letter - b'A') + 1).saturating_sub(1)
    }

    /// Name of a spin: the area as a letter or more, and its number in the map.
    pub fn id(area: usize, spot: usize) -> String {
        let mut letters = String::new();
        let mut rest = area + 1;
        while rest > 0 {
            letters.insert(0, char::from(b'A' + ((rest - 1) % 26) as u8));
            rest = (rest - 1) / 26;
        }
        format!("{letters}{}", spot + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Spots strewn by a small generator, so that no pattern repeats.
    fn strewn(seed: u64, count: usize) -> Vec<Spot> {
        let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as f64 / (1u64 << 31) as f64
        };
        (0..count).map(|_| [24e-9 * (next() - 0.5), 24e-9 * (next() - 0.5), 0.16e-9]).collect()
    }

    #[test]
    fn an_area_is_known_again_and_another_is_not_taken_for_it() {
        for seed in 1..40 {
            let first = strewn(seed, 14);
            let mut maps = Maps::default();
            maps.image(&first);
            let moved: Vec<Spot> = first.iter().skip(2).map(|s| [s[0] + 3e-9, s[1] - 5e-9, s[2]]).collect();
            maps.image(&moved);
            let standing = maps.standing.unwrap();
            assert_eq!(standing.area, 0, "{seed}");
            assert!(apart_m(standing.shift_m, [-3e-9, 5e-9]) < 0.05e-9, "{seed}: {standing:?}");
            assert_eq!(maps.centred([moved[4][0] + 0.1e-9, moved[4][1]]), Some((0, 6)), "{seed}");
            maps.shifted();
            assert_eq!(maps.centred([0.0; 2]), None);
            maps.image(&strewn(seed + 1000, 14));
            assert_ne!(maps.standing.map(|s| s.area), Some(0), "{seed}");
        }
    }

    /// A large frame that lies beside the map shows half of it, and much else.
    #[test]
    fn a_large_frame_beside_the_map_is_laid_onto_it() {
        for seed in 1..40 {
            let mut maps = Maps::default();
            maps.image(&strewn(seed, 12));
            let mut wide: Vec<Spot> = maps.areas[0].spots[..8].to_vec();
            wide.extend(strewn(seed + 500, 14).iter().map(|s| [s[0] + 40e-9, 2.0 * s[1], s[2]]));
            for spot in &mut wide {
                *spot = [spot[0] - 21e-9, spot[1] + 17e-9, spot[2]];
            }
            maps.shifted();
            maps.image(&wide);
            let standing = maps.standing.unwrap();
            assert_eq!((standing.area, maps.areas.len()), (0, 1), "{seed}");
            assert!(apart_m(standing.shift_m, [21e-9, -17e-9]) < 0.05e-9, "{seed}: {standing:?}");
            // The map has grown; a frame of its other end is still a part of it.
            maps.shifted();
            maps.image(&wide[4..16]);
            assert_eq!(maps.standing.unwrap().area, 0, "{seed}");
            // What lies elsewhere is not taken for it.
            for other in 0..20 {
                let found = maps.find(&strewn(1000 * seed + other, 9));
                assert_eq!(found, None, "{seed} {other}");
            }
        }
    }

    #[test]
    fn a_top_belongs_to_the_spot_that_is_alone_there() {
        let mut maps = Maps::default();
        maps.image(&strewn(3, 8));
        let spots = maps.areas[0].spots.clone();
        let beside = |by_m: f64| [spots[2][0] + by_m, spots[2][1]];
        let least = spots.iter().filter(|s| **s != spots[2]).map(|s| apart_m([s[0], s[1]], beside(0.8e-9)));
        assert!(least.fold(f64::INFINITY, f64::min) > 2.4e-9, "this one is alone");
        assert_eq!(maps.clone().centred(beside(0.8e-9)), Some((0, 2)));
        assert_eq!(maps.clone().centred(beside(1.1e-9)), None);
        maps.areas[0].spots.push([spots[2][0] + 2.0e-9, spots[2][1], spots[2][2]]);
        assert_eq!(maps.centred(beside(0.8e-9)), None, "it may be the other's");
    }

    #[test]
    fn areas_have_letters_and_spins_have_numbers() {
        assert_eq!([Maps::id(0, 0), Maps::id(25, 2), Maps::id(26, 0)], ["A1", "Z3", "AA1"]);
        for area in [0, 25, 26, 700] {
            assert_eq!(Maps::area_of(&Maps::id(area, 4)), area);
        }
    }
}
