//! What an instrument sets is set by one channel: a second way to it would have limits of its own.

use noctule::bench::{builtin_text, read};

fn mimic() -> String {
    let shipped = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/bench_mimic.ron");
    std::fs::read_to_string(shipped).expect("the shipped bench")
}

fn with(bench: &str, channel: &str) -> Vec<String> {
    let text = bench.replacen("channels: [", &format!("channels: [\n{channel}"), 1);
    match read(&text, "bench.ron") {
        Ok(_) => Vec::new(),
        Err(found) => found.iter().map(|fault| format!("{}: {}", fault.line, fault.message)).collect(),
    }
}

#[test]
fn two_channels_that_set_the_same_are_refused_at_both_places() {
    for set in ["SOUR:VOLT {}", "sour:volt  {}", " :SOUR:VOLT {} "] {
        let channel = format!(
            "Channel(name: \"second\", unit: \"mV\", link: \"electronics\", set: \"{set}\", query: \"SOUR:VOLT?\",
            min: \"-9 V\", max: \"9 V\"),"
        );
        let found = with(&mimic(), &channel);
        assert_eq!(found.len(), 2, "{set}: {found:?}");
        assert!(
            found.iter().all(|fault| fault.contains("`second`") && fault.contains("`bias`")),
            "{found:?}"
        );
        assert!(found[0].split(':').next() != found[1].split(':').next(), "{found:?}");
    }
    let simulated = "Channel(name: \"second\", unit: \"mV\", link: \"microscope\", signal: \"bias\", min: \"-9 V\", max: \"9 V\"),";
    assert_eq!(with(builtin_text(), simulated).len(), 2);
}

/// Every setting of the shipped bench in every spelling of its message.
#[test]
fn no_spelling_of_a_message_is_a_second_way_past_a_limit() {
    let (bench, text) = (read(&mimic(), "bench.ron").expect("the shipped bench").0, mimic());
    let long = [
        ("SOUR", "SOURCE"),
        ("VOLT", "VOLTAGE"),
        ("CURR", "CURRENT"),
        ("FREQ", "FREQUENCY"),
        ("POW", "POWER"),
        ("OUTP", "OUTPUT"),
        ("FEED", "FEEDBACK"),
        ("POS", "POSITION"),
        ("FIEL", "FIELD"),
        ("REF", "REFERENCE"),
        ("FILT", "FILTER"),
        ("TCON", "TCONSTANT"),
        ("ORD", "ORDER"),
    ];
    let mut tries = 0;
    for channel in bench.channels.iter().filter(|channel| channel.settable) {
        let noctule::bench::Address::Scpi(scpi) = &channel.address else { panic!("a SCPI bench") };
        let set = scpi.set.clone().expect("what is settable has a message");
        let (header, rest) = set.split_once(' ').expect("a header");
        let nodes = header
            .split(':')
            .map(|node| long.iter().find(|(short, _)| *short == node).map_or(node, |(_, long)| *long));
        let long_form = nodes.collect::<Vec<_>>().join(":");
        let spellings = [
            set.clone(),
            set.to_lowercase(),
            format!(":{set}"),
            format!("  {header}   {rest}  "),
            format!("{long_form} {rest}"),
            format!("{} {rest}", long_form.to_lowercase()),
            format!("{header}1 {rest}"),
            format!("{set};"),
            format!("{} {rest}", header.trim_start_matches("SOUR:")),
            format!("SOUR:{} {rest}", header.trim_start_matches("SOUR:")),
            format!("{header}:LEV {rest}"),
            format!("{header}:LEVEL:IMMEDIATE {rest}"),
        ];
        let link = &bench.links[channel.link].name;
        for spelling in spellings {
            let second = format!(
                "Channel(name: \"second\", unit: \"{}\", link: \"{link}\", set: \"{spelling}\", query: \"FETC?\",
                min: \"-1e9 {0}\", max: \"1e9 {0}\"),",
                channel.unit.text
            );
            let found = with(&text, &second);
            let told = found.iter().filter(|fault| fault.contains("sets the same as")).count();
            assert_eq!(told, 2, "`{spelling}` beside `{set}`: {found:?}");
            tries += 1;
        }
    }
    println!("{tries} second ways, all refused");
    // Another setting of the same instrument is no alias.
    let other = "Channel(name: \"second\", unit: \"mV\", link: \"electronics\", set: \"SOUR2:VOLT {}\", query: \"SOUR2:VOLT?\",
        min: \"-9 V\", max: \"9 V\"),";
    assert_eq!(with(&text, other), Vec::<String>::new());
}

#[test]
fn a_second_channel_may_read_what_another_sets() {
    let reading = "Channel(name: \"second\", unit: \"mV\", link: \"electronics\", query: \"SOUR:VOLT?\"),";
    assert_eq!(with(&mimic(), reading), Vec::<String>::new());
}

#[test]
fn no_time_on_a_bench_is_absurd() {
    let bench = builtin_text();
    let begin = bench.find("every: \"").expect("an interlock") + "every: \"".len();
    let end = begin + bench[begin..].find('"').expect("its end");
    for (time, absurd) in [("1e300 s", true), ("1e6 h", true), ("3 s", false)] {
        let text = format!("{}{time}{}", &bench[..begin], &bench[end..]);
        let found = read(&text, "bench.ron").err().unwrap_or_default();
        assert_eq!(
            found.iter().any(|fault| fault.message.contains("never ends")),
            absurd,
            "{time}: {found:?}"
        );
    }
}
