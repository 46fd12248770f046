//! Matching headers in their short and long forms.

/// Whether a header as it was sent fits a pattern such as `[SOURce]:VOLTage:[LEVel]`: capitals are
/// the short form, nodes in brackets may be left out, case does not matter.
pub(super) fn fits(pattern: &str, header: &str) -> bool {
    let header = header.strip_prefix(':').unwrap_or(header);
    fits_nodes(Some(pattern), Some(header))
}

fn fits_nodes(pattern: Option<&str>, header: Option<&str>) -> bool {
    let Some(pattern) = pattern else { return header.is_none() };
    let (node, pattern_rest) = split_node(pattern);
    let optional = node.strip_prefix('[').and_then(|node| node.strip_suffix(']'));
    if let Some(header) = header {
        let (word, header_rest) = split_node(header);
        if fits_word(optional.unwrap_or(node), word) && fits_nodes(pattern_rest, header_rest) {
            return true;
        }
    }
    optional.is_some() && fits_nodes(pattern_rest, header)
}

fn split_node(path: &str) -> (&str, Option<&str>) {
    match path.split_once(':') {
        Some((node, rest)) => (node, Some(rest)),
        None => (path, None),
    }
}

fn fits_word(node: &str, word: &str) -> bool {
    let short = node.find(|c: char| c.is_ascii_lowercase()).unwrap_or(node.len());
    word.eq_ignore_ascii_case(node) || word.eq_ignore_ascii_case(&node[..short])
}

#[cfg(test)]
mod tests {
    use super::fits;

    #[test]
    fn short_and_long_forms_fit_and_nothing_between() {
        let pattern = "[SOURce]:VOLTage:[LEVel]";
        for header in ["SOUR:VOLT", "source:voltage:level", "volt", "VOLT:LEV", ":SOUR:Voltage", "Voltage"] {
            assert!(fits(pattern, header), "{header}");
        }
        for header in ["SOUR", "SOURC:VOLT", "VOLTA", "VOLT:LEV:X", "", "SOUR:SOUR:VOLT", "VOLT:", ":", "LEV"]
        {
            assert!(!fits(pattern, header), "{header}");
        }
    }
}
