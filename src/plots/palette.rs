//! Colours and marker shapes. Nothing hangs on colour alone: each lot of a set also has its shape and its name.

use plotters::style::RGBColor;

/// The ground of every chart.
pub const PAPER: RGBColor = RGBColor(0xFC, 0xFB, 0xF8);
/// Text and axes.
pub const INK: RGBColor = RGBColor(0x26, 0x26, 0x24);
/// Secondary text: still 7 to 1 against the paper.
pub const PALE_INK: RGBColor = RGBColor(0x55, 0x54, 0x50);
/// Reading aids: grid lines and guides.
pub const HAIRLINE: RGBColor = RGBColor(0xDD, 0xDA, 0xD2);
/// Identity lines and other lines of comparison.
pub const RULE: RGBColor = RGBColor(0x8E, 0x8B, 0x83);
/// The one accent: estimates.
pub const LEAF: RGBColor = RGBColor(0x2F, 0x6B, 0x3A);

/// Colours of lots that share a panel. Found by random search from eight earth and ink tones: at least 3 to 1
/// against the paper, and far apart in CIELAB both in normal sight and in simulated protanopia, deuteranopia
/// and tritanopia; `tests/pages` computes both again.
pub const LOTS: [RGBColor; 8] = [
    RGBColor(0x14, 0x35, 0xCC),
    RGBColor(0xEB, 0x66, 0x0A),
    RGBColor(0x5D, 0x0A, 0x69),
    RGBColor(0xA6, 0x8C, 0x5A),
    RGBColor(0x27, 0x8D, 0xC4),
    RGBColor(0x6B, 0x1F, 0x0A),
    RGBColor(0x31, 0x2F, 0x36),
    RGBColor(0xB7, 0x5E, 0x7B),
];

/// Shape of a dot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Marker {
    /// A filled circle.
    Disc,
    /// A filled square.
    Square,
    /// A filled triangle, point up.
    TriangleUp,
    /// A filled square on its corner.
    Diamond,
    /// A filled triangle, point down.
    TriangleDown,
    /// An open circle.
    Ring,
    /// An open square.
    Frame,
}

impl Marker {
    const ALL: [Marker; 7] = [
        Marker::Disc,
        Marker::Square,
        Marker::TriangleUp,
        Marker::Diamond,
        Marker::TriangleDown,
        Marker::Ring,
        Marker::Frame,
    ];
}

/// Colour and shape of the lot at place `index` of a set. Colours repeat after 8 and shapes after 7,
/// so that the pair repeats after 56 lots only.
pub fn lot_style(index: usize) -> (RGBColor, Marker) {
    (LOTS[index % LOTS.len()], Marker::ALL[index % Marker::ALL.len()])
}
