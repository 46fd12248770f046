//! Enums that are called by words, in sequences, in records and for people.

/// Gives an enum its words: in sequences and for people as they stand here, in records in snake case.
macro_rules! words {
    ($(#[$about:meta])* pub enum $name:ident { $($(#[$of:meta])* $kind:ident = $word:literal,)* }) => {
        $(#[$about])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
        #[serde(rename_all = "snake_case")]
        pub enum $name { $($(#[$of])* $kind,)* }

        impl $name {
            /// Their words.
            pub const WORDS: &'static [&'static str] = &[$($word,)*];

            /// The word in sequences and for people.
            pub fn word(self) -> &'static str {
                Self::WORDS[self as usize]
            }

            /// That of a word.
            pub fn of(word: &str) -> Option<Self> {
                [$(Self::$kind,)*].into_iter().find(|one| one.word() == word)
            }
        }
    };
}

pub(super) use words;
