//! Paper for one chart: marks are gathered in pixels, checked, and written by plotters' SVG backend.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::sync::Once;

use base64::Engine as _;
use plotters::backend::{DrawingBackend, SVGBackend};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, FontStyle, IntoFont, RGBColor, ShapeStyle, TextStyle, register_font};
use sha2::{Digest, Sha256};

use super::font::{self, FAMILY};
use super::palette::{INK, Marker, PALE_INK, PAPER};
use super::{Lang, Paper, PlotError};

/// Units of the drawing to one pixel: the backend takes whole numbers, so a pixel is drawn as ten units.
const UNITS: f64 = 10.0;
/// The backend divides a font's size by this before writing it.
const BACKEND_FONT_FACTOR: f64 = 1.24;
/// Space round the chart.
pub(super) const MARGIN: f64 = 20.0;

/// Which side of its point a text stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// A text on the paper: `y` is the middle of its small letters.
#[derive(Debug, Clone)]
struct Label {
    text: String,
    x: f64,
    y: f64,
    px: f64,
    anchor: Anchor,
    colour: RGBColor,
}

enum Mark {
    Line { from: (f64, f64), to: (f64, f64), width: f64, colour: RGBColor },
    Shape { at: (f64, f64), radius: f64, marker: Marker, colour: RGBColor },
    Polygon { points: Vec<(f64, f64)>, colour: RGBColor, opacity: f64 },
    Text(Label),
}

/// Marks of one chart, in the order in which they are drawn.
pub(super) struct Canvas {
    width: f64,
    cut: f64,
    title: String,
    lang: Lang,
    marks: Vec<Mark>,
    missing: Vec<font::MissingGlyph>,
    description: String,
    /// Where the next block of the chart may begin.
    pub(super) y: f64,
}

impl Canvas {
    /// Paper of a fixed width that begins with the title and its subtitle lines.
    pub(super) fn new(
        lang: Lang,
        (paper, width): (Paper, f64),
        title: &str,
        subtitles: &[(&str, String)],
    ) -> Self {
        let mut canvas = Self {
            width,
            cut: paper.cut(),
            title: title.to_owned(),
            lang,
            marks: Vec::new(),
            missing: Vec::new(),
            description: String::new(),
            y: MARGIN,
        };
        canvas.paragraph("title", title, 18.0, 25.0, INK);
        for (place, text) in subtitles {
            canvas.describe(text);
            canvas.paragraph(place, text, 12.5, 18.0, PALE_INK);
        }
        canvas.y += 6.0;
        canvas
    }

    /// Whole lines of text across the paper, broken where needed.
    pub(super) fn paragraph(
        &mut self,
        place: &str,
        text: &str,
        px: f64,
        pitch: f64,
        colour: RGBColor,
    ) {
        self.check(place, text);
        for line in font::wrap(text, px, self.width - 2.0 * MARGIN) {
            self.y += pitch;
            self.push_text(&line, (MARGIN, self.y - pitch / 2.0), px, Anchor::Start, colour);
        }
    }

    /// Sets notes below the chart, each a paragraph that a screen reader is told too.
    pub(super) fn notes(&mut self, notes: impl IntoIterator<Item = String>) {
        for note in notes {
            self.describe(&note);
            self.paragraph("note below the chart", &note, 12.0, 17.0, PALE_INK);
        }
    }

    /// Adds a sentence to what a screen reader is told.
    pub(super) fn describe(&mut self, sentence: &str) {
        if !self.description.is_empty() {
            self.description.push(' ');
        }
        self.description.push_str(sentence);
    }

    /// Remembers the characters of a text that cannot be shown.
    pub(super) fn check(&mut self, place: &str, text: &str) {
        self.missing.extend(font::missing_glyphs(place, text));
    }

    /// One line of text, cut with an ellipsis to `max` pixels.
    #[expect(
        clippy::too_many_arguments,
        reason = "a text is its words, place, size, side, colour and room"
    )]
    pub(super) fn text(
        &mut self,
        place: &str,
        text: &str,
        at: (f64, f64),
        px: f64,
        anchor: Anchor,
        colour: RGBColor,
        max: f64,
    ) {
        self.check(place, text);
        let shown = font::fit(text, px, max);
        self.push_text(&shown, at, px, anchor, colour);
    }

    /// One line of text that has been checked and cut already.
    pub(super) fn push_text(
        &mut self,
        text: &str,
        at: (f64, f64),
        px: f64,
        anchor: Anchor,
        colour: RGBColor,
    ) {
        if !text.trim().is_empty() {
            self.marks.push(Mark::Text(Label {
                text: text.to_owned(),
                x: at.0,
                y: at.1,
                px,
                anchor,
                colour,
            }));
        }
    }

    pub(super) fn line(&mut self, from: (f64, f64), to: (f64, f64), width: f64, colour: RGBColor) {
        self.marks.push(Mark::Line { from, to, width, colour });
    }

    /// A line of dashes, 4 pixels on and 3 off.
    pub(super) fn dashes(
        &mut self,
        from: (f64, f64),
        to: (f64, f64),
        width: f64,
        colour: RGBColor,
    ) {
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let length = dx.hypot(dy);
        let along = |d: f64| (from.0 + dx * d / length, from.1 + dy * d / length);
        let mut done = 0.0;
        while done < length {
            self.line(along(done), along((done + 4.0).min(length)), width, colour);
            done += 7.0;
        }
    }

    pub(super) fn marker(&mut self, at: (f64, f64), radius: f64, marker: Marker, colour: RGBColor) {
        self.marks.push(Mark::Shape { at, radius, marker, colour });
    }

    pub(super) fn polygon(&mut self, points: Vec<(f64, f64)>, colour: RGBColor) {
        self.marks.push(Mark::Polygon { points, colour, opacity: 1.0 });
    }

    /// A filled area through which what lies below can be seen.
    pub(super) fn veil(&mut self, points: Vec<(f64, f64)>, colour: RGBColor, opacity: f64) {
        self.marks.push(Mark::Polygon { points, colour, opacity });
    }

    /// Writes the chart as an SVG text.
    ///
    /// # Errors
    /// [`PlotError::MissingGlyphs`] if any text holds a character that the face cannot show;
    /// [`PlotError::Drawing`] if plotters or the cutting of the font fails.
    pub(super) fn finish(self) -> Result<String, PlotError> {
        if !self.missing.is_empty() {
            return Err(PlotError::MissingGlyphs(self.missing));
        }
        let failed = |reason: String| PlotError::Drawing { chart: self.title.clone(), reason };
        let height = self.y + MARGIN;
        let body = self.body(height).map_err(failed)?;

        let characters: BTreeSet<char> = self
            .marks
            .iter()
            .filter_map(
                |mark| if let Mark::Text(label) = mark { Some(label.text.chars()) } else { None },
            )
            .flatten()
            .collect();
        let face = font::cut_to(&characters).map_err(failed)?;
        let face = base64::engine::general_purpose::STANDARD.encode(face);

        // Several charts may stand in one page: each has its own name for its own cut of the face.
        let digest = Sha256::digest(body.as_bytes());
        let mark = digest.iter().take(4).fold(String::new(), |mut text, byte| {
            let _ = write!(text, "{byte:02x}");
            text
        });
        let language = match self.lang {
            Lang::En => "en",
            Lang::Zh => "zh-Hans",
        };
        let mut svg = String::new();
        let (w, h) = (self.width - 2.0 * self.cut, height.round());
        let _ = write!(
            svg,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" lang=\"{language}\" \
             aria-labelledby=\"title-{mark} desc-{mark}\" width=\"{w}\" height=\"{h}\" \
             viewBox=\"{} 0 {} {}\" font-family=\"'{FAMILY} {mark}', '{FAMILY}', 'Noto Sans CJK SC', \
             'Noto Sans SC', sans-serif\">\n\
             <title id=\"title-{mark}\">{}</title>\n<desc id=\"desc-{mark}\">{}</desc>\n\
             <style>@font-face{{font-family:'{FAMILY} {mark}';\
             src:url(data:font/otf;base64,{face}) format('opentype')}}</style>\n",
            self.cut * UNITS,
            w * UNITS,
            h * UNITS,
            escape(&self.title),
            escape(&self.description),
        );
        svg.push_str(&body);
        svg.push_str("</svg>\n");
        Ok(svg)
    }

    /// The marks as plotters writes them, without the outer element.
    fn body(&self, height: f64) -> Result<String, String> {
        register();
        let mut buffer = String::new();
        let size = (units(self.width) as u32, units(height.round()) as u32);
        {
            let mut paper = SVGBackend::with_string(&mut buffer, size);
            let ground = ShapeStyle::from(PAPER).filled();
            let cut = units(self.cut);
            paper
                .draw_rect((cut, 0), (size.0 as i32 - cut, size.1 as i32), &ground, true)
                .map_err(|e| e.to_string())?;
            for mark in &self.marks {
                draw(&mut paper, mark)?;
            }
            paper.present().map_err(|e| e.to_string())?;
        }
        let inside = buffer
            .strip_suffix("</svg>\n")
            .and_then(|text| text.split_once(">\n"))
            .map(|(_, inside)| inside)
            .ok_or("plotters wrote no svg element")?;
        // Quotes inside texts are escaped, so these can only be attributes; the outer element names the face.
        Ok(inside.replace(&format!(" font-family=\"{FAMILY}\""), "").replace(" opacity=\"1\"", ""))
    }
}

fn register() {
    static REGISTERED: Once = Once::new();
    REGISTERED.call_once(|| {
        // The SVG backend writes text without measuring; a face that cannot be registered changes nothing here.
        let _ = register_font(FAMILY, FontStyle::Normal, font::BYTES);
    });
}

fn units(pixels: f64) -> i32 {
    (pixels * UNITS).round() as i32
}

fn point((x, y): (f64, f64)) -> (i32, i32) {
    (units(x), units(y))
}

fn stroke(colour: RGBColor, width: f64) -> ShapeStyle {
    ShapeStyle { color: colour.to_rgba(), filled: false, stroke_width: units(width).max(1) as u32 }
}

fn draw(paper: &mut SVGBackend<'_>, mark: &Mark) -> Result<(), String> {
    match mark {
        Mark::Line { from, to, width, colour } => {
            paper.draw_line(point(*from), point(*to), &stroke(*colour, *width))
        }
        Mark::Polygon { points, colour, opacity } => {
            let style = ShapeStyle { color: colour.mix(*opacity), filled: true, stroke_width: 0 };
            paper.fill_polygon(points.iter().copied().map(point), &style)
        }
        Mark::Shape { at, radius, marker, colour } => {
            return shape(paper, *at, *radius, *marker, *colour);
        }
        Mark::Text(label) => {
            let h = match label.anchor {
                Anchor::Start => HPos::Left,
                Anchor::Middle => HPos::Center,
                Anchor::End => HPos::Right,
            };
            let style =
                TextStyle::from((FAMILY, label.px * UNITS * BACKEND_FONT_FACTOR).into_font())
                    .color(&label.colour)
                    .pos(Pos::new(h, VPos::Center));
            paper.draw_text(&label.text, &style, point((label.x, label.y)))
        }
    }
    .map_err(|e| e.to_string())
}

fn shape(
    paper: &mut SVGBackend<'_>,
    (x, y): (f64, f64),
    r: f64,
    marker: Marker,
    colour: RGBColor,
) -> Result<(), String> {
    let fill = stroke(colour, 0.0).filled();
    let corners = |points: &[(f64, f64)]| -> Vec<(i32, i32)> {
        points.iter().map(|(dx, dy)| point((x + dx * r, y + dy * r))).collect()
    };
    const SQUARE: [(f64, f64); 5] =
        [(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9), (-0.9, -0.9)];
    match marker {
        Marker::Disc => paper.draw_circle(point((x, y)), units(r) as u32, &fill, true),
        Marker::Square => paper.fill_polygon(corners(&SQUARE), &fill),
        Marker::TriangleUp => {
            paper.fill_polygon(corners(&[(0.0, -1.2), (1.1, 0.8), (-1.1, 0.8)]), &fill)
        }
        Marker::TriangleDown => {
            paper.fill_polygon(corners(&[(0.0, 1.2), (1.1, -0.8), (-1.1, -0.8)]), &fill)
        }
        Marker::Diamond => paper
            .fill_polygon(corners(&[(0.0, -1.25), (1.25, 0.0), (0.0, 1.25), (-1.25, 0.0)]), &fill),
        // Open shapes are filled with paper first, so that the interval's line does not cross them.
        Marker::Ring => {
            let ground = stroke(PAPER, 0.0).filled();
            paper.draw_circle(point((x, y)), units(r) as u32, &ground, true).and_then(|()| {
                paper.draw_circle(point((x, y)), units(r) as u32, &stroke(colour, 1.6), false)
            })
        }
        Marker::Frame => {
            let ground = stroke(PAPER, 0.0).filled();
            paper
                .fill_polygon(corners(&SQUARE), &ground)
                .and_then(|()| paper.draw_path(corners(&SQUARE), &stroke(colour, 1.6)))
        }
    }
    .map_err(|e| e.to_string())
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}
