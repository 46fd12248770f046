//! Hidden worlds: whatever nobody knows exactly before a campaign, drawn round what a world says.
//!
//! What is drawn, and how far, is invented; it is of the size by which one campaign of a laboratory differs from the next.

use super::World;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

/// Draws have a stream of their own.
const STREAM: u64 = 0xd7a3;
/// Part of the campaigns that begin with a tip that sees nothing, where the world's own sees.
const BLIND_PART: f64 = 0.25;
/// Part of the movable atoms that are there; two always are.
const THERE_PART: f64 = 0.65;
/// How far each atom lies from where it was expected, m, at most along each side.
const AWAY_M: f64 = 0.5e-9;

/// Draws everything anew; nothing for the seed 0.
pub(super) fn draw(world: &mut World, seed: u32) {
    if seed == 0 {
        return;
    }
    let mut rng = ChaCha8Rng::seed_from_u64(u64::from(seed));
    rng.set_stream(STREAM);
    let rng = &mut rng;
    tip(world, rng);
    surface(world, rng);
    rf(world, rng);
    let velocity = &mut world.drift.velocity_m_s;
    velocity.iter_mut().for_each(|v| *v *= between(rng, -1.5, 1.5));
    let bath = &mut world.cryostat.bath;
    bath.initial_l = (bath.initial_l * between(rng, 0.5, 1.15)).min(bath.capacity_l);
    world.cryostat.pot.initial_part = between(rng, 0.03, 1.0);
}

impl World {
    /// The same with a full bath.
    #[must_use]
    pub fn filled(mut self) -> Self {
        self.cryostat.bath.initial_l = self.cryostat.bath.capacity_l;
        self
    }

    /// The same with a pot that was just condensed.
    #[must_use]
    pub fn condensed(mut self) -> Self {
        self.cryostat.pot.initial_part = 1.0;
        self
    }
}

fn between(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.random::<f64>()
}

fn tip(world: &mut World, rng: &mut ChaCha8Rng) {
    let apex = &mut world.tip.apex;
    let blind = rng.random::<f64>() < BLIND_PART;
    let factor = between(rng, 0.8, 1.2);
    apex.polarisation = if blind { 0.0 } else { (apex.polarisation * factor).min(0.45) };
    // Both change alike with the gap, so that the line hardly moves with it: the setpoint was chosen for that.
    let larger = between(rng, 0.8, 1.2);
    apex.moment_mub *= larger;
    apex.exchange_t *= larger * between(rng, 0.85, 1.15);
    let (tilt, turn) = (between(rng, 0.0, 0.35), between(rng, 0.0, std::f64::consts::TAU));
    apex.axis = [tilt.sin() * turn.cos(), tilt.sin() * turn.sin(), tilt.cos()];
    // From a tenth of it to ten times as often.
    world.tip.preparation.changes_per_hour *= 10_f64.powf(between(rng, -1.0, 1.0));
}

fn surface(world: &mut World, rng: &mut ChaCha8Rng) {
    let species = &mut world.surface.species;
    for one in species.iter_mut().filter(|one| one.is_magnetic()) {
        let factor = between(rng, 0.95, 1.05);
        one.g.iter_mut().for_each(|g| *g *= factor);
        one.relaxation.readout *= between(rng, 0.8, 1.25);
    }
    let mut kept = 0;
    for i in 0..world.surface.sites.len() {
        let movable = world.surface.species_of(i).movable;
        let (stays, away) = (rng.random::<f64>() < THERE_PART, [0, 1].map(|_| between(rng, -AWAY_M, AWAY_M)));
        let site = &mut world.surface.sites[i];
        site.at_m = [site.at_m[0] + away[0], site.at_m[1] + away[1]];
        kept += u32::from(movable);
        site.present &= !movable || stays || kept <= 2;
    }
}

fn rf(world: &mut World, rng: &mut ChaCha8Rng) {
    for wave in &mut world.rf_line.waves {
        wave.amplitude_db *= between(rng, 0.6, 1.4);
        wave.phase_rad = between(rng, 0.0, std::f64::consts::TAU);
    }
    for resonance in &mut world.rf_line.resonances {
        resonance.centre_hz += between(rng, -0.8e9, 0.8e9);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_drawn_differs_from_seed_to_seed_and_stays_a_world() {
        let night = World::shipped("night").unwrap();
        let text = World::shipped_text("night").unwrap();
        assert_eq!(World::read(&World::drawn_text(text, 0)).unwrap(), night);
        let drawn: Vec<World> =
            (1..60).map(|seed| World::read(&World::drawn_text(text, seed)).unwrap()).collect();
        let blind = drawn.iter().filter(|world| !world.tip.apex.has_contrast()).count();
        assert!((5..30).contains(&blind), "{blind} of 59");
        for world in &drawn {
            assert!(world.cryostat.bath.initial_l <= world.cryostat.bath.capacity_l);
            let there = (0..world.surface.sites.len())
                .filter(|i| world.surface.sites[*i].present && world.surface.species_of(*i).movable);
            assert!(there.count() >= 2);
        }
        assert!(drawn.windows(2).all(|pair| pair[0] != pair[1]));
    }
}
