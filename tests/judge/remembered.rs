//! Asking after each spectrum, with what was worked out before, says the same as asking anew.

use crate::joint_campaign::{Design, World, night, spectra_of};
use noctule::analysis::joint::{Prior, Remembered, judge, judge_again};

#[test]
fn what_is_remembered_changes_no_bit() {
    let worlds =
        [World::Spin { height: 7.0, drift: true }, World::Blind, World::Multiplet { from: 4, to: 4 }];
    for (seed, world) in worlds.into_iter().enumerate() {
        let (taken, _) = night(seed as u64 + 3, Design::Irregular, world, 11);
        let mut remembered = Remembered::default();
        for n in 2..=taken.len() {
            let spectra = spectra_of(&taken[..n]);
            let anew = judge(&spectra, &Prior::default()).unwrap();
            assert_eq!(judge_again(&spectra, &Prior::default(), &mut remembered).unwrap(), anew);
        }
        // Others between do no harm, and neither does a long absence.
        let (others, _) = night(99, Design::Own, world, 5);
        for n in 2..=5 {
            judge_again(&spectra_of(&others[..n]), &Prior::default(), &mut remembered).unwrap();
        }
        let spectra = spectra_of(&taken);
        let anew = judge(&spectra, &Prior::default()).unwrap();
        assert_eq!(judge_again(&spectra, &Prior::default(), &mut remembered).unwrap(), anew);
    }
}
