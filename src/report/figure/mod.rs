//! Figures: drawn once as shapes, written as SVG or painted as PNG.
//!
//! Shapes name an [`Ink`], not a colour: inside the brief the page's style decides, so one figure serves light
//! and dark and paper; alone, the figure carries its own style. Lettering and painting of PNG are our own, so
//! that no font has to be installed on the machine.

mod axis;
mod chart;
mod colour;
mod heat;
mod lettering;
mod pdf;
mod raster;
mod svg;
mod thin;

pub use axis::{Scale, decade_ticks, decimals, ticks};
pub use chart::{Axis, Chart, Mark, Series, Style};
pub use colour::{colour_of, lab_of};
pub use heat::{Heat, picture};
pub use raster::Raster;
pub use svg::escape;
pub use thin::thin;

/// What a shape is for; the page or the figure gives it its colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// Lettering.
    Text,
    /// Lettering that stands back.
    Faint,
    /// Axes.
    Frame,
    /// Lines behind the data.
    Grid,
    /// The first set of data.
    First,
    /// The second set of data.
    Second,
    /// Fits and laws.
    Fit,
    /// What is not to be trusted, and marks that must not be passed.
    Warn,
}

impl Ink {
    /// All inks.
    pub const ALL: [Ink; 8] =
        [Ink::Text, Ink::Faint, Ink::Frame, Ink::Grid, Ink::First, Ink::Second, Ink::Fit, Ink::Warn];

    /// Its name in styles.
    pub fn word(self) -> &'static str {
        match self {
            Ink::Text => "text",
            Ink::Faint => "faint",
            Ink::Frame => "frame",
            Ink::Grid => "grid",
            Ink::First => "first",
            Ink::Second => "second",
            Ink::Fit => "fit",
            Ink::Warn => "warn",
        }
    }

    /// Its colour on white paper.
    pub fn on_paper(self) -> [u8; 3] {
        match self {
            Ink::Text => [0x1d, 0x24, 0x2e],
            Ink::Faint => [0x5b, 0x64, 0x70],
            Ink::Frame => [0x8b, 0x94, 0x9e],
            Ink::Grid => [0xe3, 0xe6, 0xe8],
            Ink::First => [0x1f, 0x5f, 0x8b],
            Ink::Second => [0x6a, 0x5a, 0x9c],
            Ink::Fit => [0xb0, 0x5a, 0x10],
            Ink::Warn => [0xa8, 0x2b, 0x2b],
        }
    }
}

/// Where a text hangs at its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// It begins there.
    Start,
    /// It is centred there.
    Middle,
    /// It ends there.
    End,
}

/// A place on the drawing, in pixels from its upper left corner.
pub type Place = (f64, f64);

/// One shape.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// A line through places.
    Line {
        /// The places.
        places: Vec<Place>,
        /// Its ink.
        ink: Ink,
        /// Its width.
        width: f64,
        /// Whether it is dashed.
        dashed: bool,
    },
    /// Pieces from one place to another, all alike: error bars, ticks.
    Pieces {
        /// Their ends.
        pieces: Vec<(Place, Place)>,
        /// Their ink.
        ink: Ink,
        /// Their width.
        width: f64,
    },
    /// Round dots.
    Dots {
        /// Their middles.
        places: Vec<Place>,
        /// Their ink.
        ink: Ink,
        /// Their diameter.
        size: f64,
    },
    /// Lettering on its base line.
    Text {
        /// Where.
        at: Place,
        /// The words.
        text: String,
        /// Height of the letters' square.
        size: f64,
        /// How it hangs.
        anchor: Anchor,
        /// Its ink.
        ink: Ink,
        /// Whether it is turned by a quarter, to be read from below upwards.
        turned: bool,
    },
    /// Coloured cells.
    Cells {
        /// Upper left corner.
        at: Place,
        /// Width and height.
        size: Place,
        /// The cells.
        cells: Raster,
    },
}

/// A figure.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// Width in pixels.
    pub width: f64,
    /// Height in pixels.
    pub height: f64,
    /// What it shows, for those who can't see it.
    pub label: String,
    /// The shapes, the later above the earlier.
    pub shapes: Vec<Shape>,
}

impl Drawing {
    /// An empty drawing.
    pub fn new(width: f64, height: f64, label: impl Into<String>) -> Self {
        Self { width, height, label: label.into(), shapes: Vec::new() }
    }

    /// As SVG that takes its colours from the page around it.
    pub fn svg_for_page(&self) -> String {
        svg::write(self, false)
    }

    /// As an SVG file of its own.
    pub fn svg(&self) -> String {
        svg::write(self, true)
    }

    /// As a PNG file, `scale` pixels for each pixel of the drawing (1 to 8).
    pub fn png(&self, scale: u32) -> Vec<u8> {
        raster::paint(self, f64::from(scale.clamp(1, 8))).png()
    }

    /// As a PDF file of one page, in points, with its lettering as text.
    pub fn pdf(&self) -> Vec<u8> {
        pdf::write(self)
    }

    pub(super) fn text(&mut self, at: Place, text: impl Into<String>, size: f64, anchor: Anchor, ink: Ink) {
        self.shapes.push(Shape::Text { at, text: text.into(), size, anchor, ink, turned: false });
    }

    pub(super) fn line(&mut self, places: Vec<Place>, ink: Ink, width: f64) {
        self.shapes.push(Shape::Line { places, ink, width, dashed: false });
    }
}
