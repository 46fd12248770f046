//! What the check says of sequences and bench files, faulty and sound, and the outline it gives of a night.

mod faulty;
mod mistakes;
mod more_mistakes;
mod outline;
mod own_mistakes;
mod valid;
