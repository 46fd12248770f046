//! The codes of all diagnostics, for the guide and for talking about them.

use serde::{Serialize, Serializer};
use std::fmt;

macro_rules! codes {
    ($($name:ident = $text:literal, $meaning:literal;)*) => {
        /// A code that stands for one kind of fault and keeps its meaning over versions.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum Code {
            $(#[doc = $meaning] $name,)*
        }

        /// Every code with what it means, in the order of the guide.
        pub const CODES: &[CodeEntry] = &[
            $(CodeEntry { code: Code::$name, text: $text, meaning: $meaning },)*
        ];
    };
}

/// A line of the table of codes.
#[derive(Debug, Clone, Copy)]
pub struct CodeEntry {
    /// The code.
    pub code: Code,
    /// As it is printed.
    pub text: &'static str,
    /// What it means, one sentence.
    pub meaning: &'static str,
}

codes! {
    BenchUnreadable = "B01", "The bench file can't be read, or is not valid RON.";
    BenchField = "B02", "A field of the bench file is unknown, missing, given twice, or of the wrong kind.";
    BenchQuantity = "B03", "A value of the bench file has no unit, an unknown unit, or the wrong dimension.";
    BenchName = "B04", "A name in the bench file is used twice or refers to nothing.";
    BenchLimits = "B05", "Limits in the bench file contradict each other or the park steps.";
    BenchExpression = "B06", "A permit or interlock of the bench file can't be understood.";
    BenchWorld = "B07", "The world that a simulated link names can't be used.";
    BenchPark = "B08", "The park steps leave something out that can hurt the microscope.";
    BenchMessage = "B09", "A message of the bench file waits for an event that never comes, or has nobody to go to.";
    BenchBlind = "B10", "One silent or stuck channel can disarm an interlock that protects the tip or the magnet.";
    BenchRenamed = "B11", "This had another name before. It is read; write the new name.";
    SequenceUnreadable = "S01", "The sequence can't be read.";
    SequenceSyntax = "S02", "The sequence is not valid Rhai.";
    UnknownVerb = "S03", "There is no verb or function of this name.";
    ArgumentCount = "S04", "A verb is called with a number of arguments it doesn't take.";
    UnknownChannel = "S05", "The bench has no channel and no role of this name.";
    UnknownVariable = "S06", "A variable is used that was never declared.";
    WrongUnit = "S07", "A value has a unit that its channel or argument doesn't take.";
    OutOfLimits = "S08", "A value lies outside the limits that the bench gives.";
    HidesVerb = "S09", "A function of the sequence has the name of a verb and would silently take its place.";
    WholeDivision = "S10", "A division of whole numbers drops its remainder.";
    FloatRange = "S11", "A range over fractions may have one item more or less than meant.";
    LoopWithoutVerb = "S12", "A loop without any verb keeps the bench waiting and may never end.";
    CatchSwallows = "S13", "A catch block does nothing with the error it caught.";
    UnusedValue = "S14", "A value is worked out and never used.";
    Unreachable = "S15", "Code that can never be reached.";
    NoPark = "S16", "The sequence never parks; the bench is parked at its end in any case.";
    MissingRole = "S17", "The sequence needs a role that the bench lacks.";
    UnknownField = "S18", "A field of a verb's map, or of what a verb gives back, is unknown or missing.";
    BadImport = "S19", "An import leads outside the sequence's folder, or its path is not written out.";
    Forbidden = "S20", "Something that a sequence may not do.";
    NotSettable = "S21", "The channel can only be read.";
    WrongKind = "S22", "A value is of another kind than is needed here, or can't be meant.";
    DivisionByZero = "S23", "A division by zero.";
    NoWindow = "S24", "A loop that only the end of a window ends, and no window is given.";
    NotReady = "S25", "Something is measured while the tip is out or the RF is off.";
    OutOfRange = "S26", "A list has no item of this number, or a map no entry of this name.";
    WouldStop = "S27", "Tried out on make-believe, before anything runs, the sequence stops here.";
}

impl Code {
    /// As it is printed, `B03`.
    pub fn text(self) -> &'static str {
        CODES.iter().find(|entry| entry.code == self).map_or("?", |entry| entry.text)
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text())
    }
}

impl Serialize for Code {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.text())
    }
}
