//! A small reader of the charts' own SVG, so that tests see what a browser would.

/// A text of a chart with the box that it fills, in pixels.
#[derive(Debug, Clone)]
pub struct TextBox {
    pub text: String,
    pub px: f64,
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
}

impl TextBox {
    pub fn meets(&self, other: &TextBox) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }
}

/// Width and height of the chart in pixels, from the outer element.
pub fn size(svg: &str) -> (f64, f64) {
    (attribute(svg, "width"), attribute(svg, "height"))
}

/// The value of the first attribute of that name as a number.
fn attribute(element: &str, name: &str) -> f64 {
    word(element, name).parse().expect("the attribute is a number")
}

fn word<'a>(element: &'a str, name: &str) -> &'a str {
    let start =
        element.find(&format!(" {name}=\"")).expect("the attribute is there") + name.len() + 3;
    element[start..].split('"').next().expect("the attribute ends")
}

/// All texts that are drawn. Ten units of the drawing make a pixel; the box goes from a little
/// above the capitals to a little below the descenders.
pub fn texts(svg: &str) -> Vec<TextBox> {
    let face = ttf_parser::Face::parse(blindsteep::plots::font::BYTES, 0).expect("the font reads");
    let advance = |text: &str| -> f64 {
        text.chars()
            .map(|c| {
                let glyph = face.glyph_index(c).expect("a drawn character is in the font");
                f64::from(face.glyph_hor_advance(glyph).expect("a glyph has a width"))
            })
            .sum::<f64>()
            / f64::from(face.units_per_em())
    };
    svg.split("<text ")
        .skip(1)
        .map(|rest| {
            let element = format!(" {rest}");
            let (head, body) = element.split_once('>').expect("the element closes");
            let text = body.split("</text>").next().expect("the text closes").trim();
            let text = text
                .replace("&lt;", "<")
                .replace("&gt;", ">")
                .replace("&quot;", "\"")
                .replace("&apos;", "'")
                .replace("&amp;", "&");
            let px = attribute(head, "font-size") / 10.0;
            let (x, y) = (attribute(head, "x") / 10.0, attribute(head, "y") / 10.0);
            let width = advance(&text) * px;
            let left = match word(head, "text-anchor") {
                "start" => x,
                "middle" => x - width / 2.0,
                "end" => x - width,
                other => panic!("unknown anchor {other}"),
            };
            // The x-height of the face is 0.543 em and y is the middle of the small letters.
            let baseline = y + 0.27 * px;
            TextBox {
                text,
                px,
                left,
                top: baseline - 0.8 * px,
                right: left + width,
                bottom: baseline + 0.2 * px,
            }
        })
        .collect()
}

/// Asserts that no text leaves the paper, is smaller than 11 pixels, or meets another.
pub fn assert_reads_well(svg: &str) {
    let (width, height) = size(svg);
    let texts = texts(svg);
    assert!(!texts.is_empty(), "a chart without text says nothing");
    for (i, a) in texts.iter().enumerate() {
        assert!(a.px >= 10.99, "too small: {a:?}");
        assert!(
            a.left >= 0.0 && a.right <= width && a.top >= 0.0 && a.bottom <= height,
            "leaves the paper of {width} × {height}: {a:?}"
        );
        for b in &texts[i + 1..] {
            assert!(!a.meets(b), "two texts meet:\n{a:?}\n{b:?}");
        }
    }
}
