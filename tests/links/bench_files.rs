//! The shipped bench files for links.

use crate::common::{read_bench, script};
use noctule::bench::{Bench, LinkKind, builtin};

/// A bench as text without what may differ.
fn without_links(mut bench: Bench) -> Bench {
    let simulated = builtin();
    bench.links.clone_from(&simulated.links);
    bench.task_link = simulated.task_link;
    for (channel, like) in bench.channels.iter_mut().zip(&simulated.channels) {
        channel.link = like.link;
        channel.address.clone_from(&like.address);
    }
    bench
}

#[test]
fn the_mimics_bench_is_the_simulated_one_but_for_its_links() {
    let bench = read_bench(&script("bench_mimic.ron"));
    assert!(bench.links.iter().all(|link| matches!(link.kind, LinkKind::Scpi(_))));
    assert_eq!(bench.links.len(), noctule::mimic::instruments::INSTRUMENTS.len());
    assert_eq!(without_links(bench), builtin());
}

#[test]
fn the_mimics_bench_names_its_instruments_in_the_order_of_their_ports() {
    let bench = read_bench(&script("bench_mimic.ron"));
    for (index, instrument) in noctule::mimic::instruments::INSTRUMENTS.iter().enumerate() {
        let link = bench.links.iter().find(|link| link.name == instrument.name).expect("a link of that name");
        let LinkKind::Scpi(scpi) = &link.kind else { panic!("{link:?}") };
        assert_eq!(scpi.address, format!("127.0.0.1:{}", usize::from(noctule::mimic::DEFAULT_PORT) + index));
    }
}

#[test]
fn the_bridges_bench_is_sound() {
    let bench = read_bench(&script("bench_bridge.ron"));
    assert!(matches!(bench.links[0].kind, LinkKind::Process(_)));
    assert!(bench.task_link.is_some() && !bench.park.is_empty());
}
