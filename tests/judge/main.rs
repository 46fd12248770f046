//! Judgements of signals: peaks, where to look next, contrast, whether a line moves with the field; against references, in campaigns, on bad data.

mod bad_data;
mod contrast_campaign;
mod contrast_cases;
mod dip_table;
mod joint_campaign;
mod other_gaps;
mod reference_checks;
mod remembered;
mod search_adaptive;
mod search_peaks;
