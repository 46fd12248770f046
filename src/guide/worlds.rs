//! What a world is for, what lies there, and what a perfect night would find.

use crate::instrument::simulated::{CryostatParams, World, boiled_l, width_hz};
use serde::Serialize;
use std::fmt::Write;

/// A world on one page.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WorldCard {
    /// Its name.
    pub name: String,
    /// What it is.
    pub note: String,
    /// What it is for.
    pub purpose: String,
    /// What a perfect night would find.
    pub perfect_night: String,
    /// Whether a spin can be seen with the tip as it is at the start.
    pub tip_polarised: bool,
    /// How often the tip changes by itself in tunnelling range, 1/h.
    pub tip_changes_per_h: f64,
    /// The helium and how long it lasts.
    pub cold: ColdCard,
    /// Transmission of the RF line at 5, 10, 15 and 20 GHz, dB, as it is at the start.
    pub rf_line_db: [(f64, f64); 4],
    /// What lies on the surface, kind by kind.
    pub kinds: Vec<KindCard>,
}

/// The helium of a world at rest: nobody ramps, and the RF is off.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ColdCard {
    /// Litres in the bath at the start.
    pub helium_l: f64,
    /// Litres that boil off in an hour.
    pub boil_off_l_h: f64,
    /// How long the pot lasts at the start, h.
    pub pot_left_h: f64,
    /// How long it lasts after it was condensed, h.
    pub pot_full_h: f64,
}

impl ColdCard {
    fn of(cryostat: &CryostatParams) -> Self {
        let (bath, pot) = (&cryostat.bath, &cryostat.pot);
        let full_s = pot.full_hold_s(0.0);
        Self {
            helium_l: bath.initial_l,
            boil_off_l_h: boiled_l(bath.static_load_w * 3600.0),
            pot_left_h: full_s * pot.initial_part / 3600.0,
            pot_full_h: full_s / 3600.0,
        }
    }
}

/// One kind of thing on the surface.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KindCard {
    /// Its name.
    pub name: String,
    /// The sites of it, with their places in nm at the start.
    pub sites: Vec<(String, [f64; 2])>,
    /// Electron spin; 0 for none.
    pub spin: f64,
    /// g along x, y, z.
    pub g: [f64; 3],
    /// Moment that its lines show along x, y, z, in Bohr magnetons.
    pub moment_mub: [f64; 3],
    /// Lines that a nucleus splits it into; 1 without one, 0 without a spin.
    pub lines: u32,
    /// Distance of these lines with the field along z, MHz; 0 without a nucleus.
    pub spacing_mhz: f64,
    /// Full width of a line at weak drive and without current, MHz.
    pub width_mhz: f64,
}

impl WorldCard {
    /// The card of a world.
    pub fn of(world: &World) -> Self {
        let kinds = world.surface.species.iter().enumerate().map(|(index, kind)| {
            let sites = world.surface.sites.iter().filter(|site| site.species == index);
            let nuclear = kind.nuclear_spin > 0.0;
            let width_hz = width_hz(kind.relaxation.t2_s);
            KindCard {
                name: kind.name.clone(),
                sites: sites.map(|site| (site.name.clone(), site.at_m.map(|at| at * 1e9))).collect(),
                spin: kind.spin,
                g: kind.g,
                moment_mub: kind.moment_mub(),
                lines: if kind.is_magnetic() { (2.0 * kind.nuclear_spin + 1.0) as u32 } else { 0 },
                spacing_mhz: if nuclear { kind.hyperfine_ghz[2].abs() * 1e3 } else { 0.0 },
                width_mhz: if kind.is_magnetic() { width_hz * 1e-6 } else { 0.0 },
            }
        });
        Self {
            name: world.name.clone(),
            note: world.note.clone(),
            purpose: world.purpose.clone(),
            perfect_night: world.perfect_night.clone(),
            tip_polarised: world.tip.apex.has_contrast(),
            tip_changes_per_h: world.tip.preparation.changes_per_hour,
            cold: ColdCard::of(&world.cryostat),
            rf_line_db: [5.0, 10.0, 15.0, 20.0]
                .map(|f_ghz| (f_ghz, world.rf_line.transmission_db(f_ghz * 1e9))),
            kinds: kinds.collect(),
        }
    }

    /// The card for a person.
    pub fn text(&self) -> String {
        let mut out = format!("{}\n\n{}\n", self.name, self.note);
        for (title, text) in [("For", &self.purpose), ("A perfect night", &self.perfect_night)] {
            if !text.is_empty() {
                let stop = if text.ends_with(['.', '?', '!']) { "" } else { "." };
                let _ = writeln!(out, "\n{title}: {text}{stop}");
            }
        }
        let tip =
            if self.tip_polarised { "polarised: it can show a spin" } else { "blind: it shows no spin" };
        let _ = writeln!(
            out,
            "\nThe tip at the start is {tip}. It changes by itself {} times an hour in range.",
            self.tip_changes_per_h
        );
        let cold = &self.cold;
        let _ = writeln!(
            out,
            "\nAt rest the bath holds {:.1} L and loses {:.2} L an hour: it is empty after {:.0} h. The pot lasts {:.0} h \
             as it is and {:.0} h after it was condensed.",
            cold.helium_l,
            cold.boil_off_l_h,
            cold.helium_l / cold.boil_off_l_h,
            cold.pot_left_h,
            cold.pot_full_h
        );
        let levels: Vec<_> = self.rf_line_db.iter().map(|(f, db)| format!("{db:.0} dB at {f} GHz")).collect();
        let _ = writeln!(out, "The RF line passes {}.", levels.join(", "));
        let _ = writeln!(out, "\nOn the surface");
        for kind in self.kinds.iter().filter(|kind| !kind.sites.is_empty()) {
            let _ = writeln!(out, "  {} × {}: {}", kind.sites.len(), kind.name, kind.spin_text());
            for (name, [x, y]) in &kind.sites {
                let _ = writeln!(out, "      {name:<5} {x:>7.2} {y:>7.2} nm");
            }
        }
        out
    }
}

impl KindCard {
    fn spin_text(&self) -> String {
        if self.spin == 0.0 {
            return "no spin".to_owned();
        }
        let [x, y, z] = self.g;
        let mut text = format!(
            "spin {}, g = {x}, {y}, {z} (moment {:.4} Bohr magnetons with the field along z), lines {:.1} MHz wide",
            self.spin, self.moment_mub[2], self.width_mhz
        );
        if self.lines > 1 {
            let _ = write!(text, ", {} of them {:.0} MHz apart", self.lines, self.spacing_mhz);
        }
        text
    }
}

/// All shipped worlds, a line for each.
pub fn world_list() -> String {
    let mut out = String::from("Shipped worlds (all of them are invented)\n\n");
    for world in World::shipped_names().filter_map(World::shipped) {
        let _ = writeln!(out, "  {:<10} {}", world.name, world.purpose);
    }
    out.push_str("\n`noctule world NAME` says what lies there and what a perfect night would find.\n");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_card_says_what_lies_there() {
        let card = WorldCard::of(&World::shipped("edge").unwrap());
        let molecule = card.kinds.iter().find(|kind| kind.name == "molecule").unwrap();
        assert_eq!((molecule.lines, molecule.sites.len()), (8, 3));
        assert!((molecule.spacing_mhz - 10.0).abs() < 1e-9);
        // 1/(π·80 ns) = 3.97887 MHz.
        assert!((molecule.width_mhz - 3.978_874).abs() < 1e-5);
        assert!(card.text().contains("8 of them 10 MHz apart"));
        // 0.45 W boil off 0.627 L an hour: 20.7 J/g and 125 g/L (the values of `cryo::helium`).
        assert!((card.cold.boil_off_l_h - 0.45 * 3600.0 / (20.7 * 125.0)).abs() < 0.01, "{:?}", card.cold);
        assert!(card.cold.pot_left_h < card.cold.pot_full_h, "{:?}", card.cold);
        let blind = WorldCard::of(&World::shipped("blind").unwrap()).text();
        assert!(blind.contains("blind: it shows no spin") && blind.contains("moment 0.8950"), "{blind}");
    }

    #[test]
    fn the_list_and_the_chapter_have_every_world() {
        let chapter = include_str!("chapters/worlds.md");
        for name in World::shipped_names() {
            assert!(world_list().contains(name));
            assert!(chapter.contains(&format!("| `{name}` |")), "{name}");
        }
    }
}
