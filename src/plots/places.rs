//! Rectangles on the paper: what is taken, and where a label still fits.

/// Small rectangles that cover a line.
pub(super) fn along(from: (f64, f64), to: (f64, f64)) -> impl Iterator<Item = Place> {
    let steps = ((to.0 - from.0).hypot(to.1 - from.1) / 4.0).ceil().max(1.0);
    (0..=steps as u32).map(move |i| {
        let share = f64::from(i) / steps;
        let (x, y) = (from.0 + share * (to.0 - from.0), from.1 + share * (to.1 - from.1));
        Place::new(x - 1.0, y - 1.0, x + 1.0, y + 1.0)
    })
}

/// A rectangle on the paper.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub(super) left: f64,
    pub(super) top: f64,
    pub(super) right: f64,
    pub(super) bottom: f64,
}

impl Place {
    pub(super) fn new(left: f64, top: f64, right: f64, bottom: f64) -> Self {
        Self { left, top, right, bottom }
    }

    pub(super) fn meets(&self, other: &Place) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }

    pub(super) fn inside(&self, outer: &Place) -> bool {
        self.left >= outer.left
            && self.right <= outer.right
            && self.top >= outer.top
            && self.bottom <= outer.bottom
    }
}
