//! How wide a chart may be: that of a sheet or a laptop, or that of a phone.

/// What a chart is drawn on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Paper {
    /// A sheet of paper or a laptop: panels beside each other.
    #[default]
    Wide,
    /// A phone held upright: one panel below the other, letters as large as on paper.
    Narrow,
}

/// A phone's screen shows 288 to 370 pixels of a chart: drawn for 300, its letters stay large enough on both.
const NARROW: f64 = 332.0;
/// The phone's page has its own margin: most of the chart's is cut off.
const CUT: f64 = 16.0;

impl Paper {
    /// The width of a chart that is as wide as this where there is room.
    pub(super) fn width(self, wide: f64) -> f64 {
        match self {
            Self::Wide => wide,
            Self::Narrow => NARROW,
        }
    }

    /// How many panels stand beside each other, of so many where there is room.
    pub(super) fn columns(self, wide: usize) -> usize {
        match self {
            Self::Wide => wide,
            Self::Narrow => 1,
        }
    }

    /// What is cut off at the left and at the right.
    pub(super) fn cut(self) -> f64 {
        match self {
            Self::Wide => 0.0,
            Self::Narrow => CUT,
        }
    }
}
