//! Colours can be told apart, on the paper and by colour-blind eyes.

use blindsteep::plots::palette::{HAIRLINE, INK, LEAF, LOTS, PALE_INK, PAPER, lot_style};
use plotters::style::RGBColor;

/// Linear light of an sRGB colour (IEC 61966-2-1).
fn linear(colour: RGBColor) -> [f64; 3] {
    [colour.0, colour.1, colour.2].map(|channel| {
        let c = f64::from(channel) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    })
}

/// Contrast ratio as defined in WCAG 2.1, "contrast ratio" and "relative luminance".
fn contrast(a: RGBColor, b: RGBColor) -> f64 {
    let luminance = |c| {
        let [r, g, b] = linear(c);
        0.2126 * r + 0.7152 * g + 0.0722 * b
    };
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

fn times(matrix: [[f64; 3]; 3], v: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| row.iter().zip(v).map(|(m, x)| m * x).sum())
}

/// CIELAB with the D65 white of sRGB.
fn lab(light: [f64; 3]) -> [f64; 3] {
    const XYZ: [[f64; 3]; 3] = [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ];
    let [x, y, z] = times(XYZ, light.map(|c| c.clamp(0.0, 1.0)));
    let f = |t: f64| if t > 0.008856 { t.cbrt() } else { 7.787 * t + 16.0 / 116.0 };
    let (x, y, z) = (f(x / 0.95047), f(y), f(z / 1.08883));
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

/// Full protanopia, deuteranopia and tritanopia on linear light: the matrices of Machado, Oliveira
/// and Fernandes (2009), IEEE TVCG 15(6), severity 1.0; from memory, to six decimals.
const SIGHT: [(&str, [[f64; 3]; 3]); 4] = [
    ("normal", [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]),
    (
        "protanopia",
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ],
    ),
    (
        "deuteranopia",
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ],
    ),
    (
        "tritanopia",
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ],
    ),
];

#[test]
fn lots_keep_apart_in_every_kind_of_sight() {
    for (sight, matrix) in SIGHT {
        let seen = LOTS.map(|c| lab(times(matrix, linear(c))));
        for (i, a) in seen.iter().enumerate() {
            for (j, b) in seen.iter().enumerate().skip(i + 1) {
                let distance = a.iter().zip(b).map(|(x, y)| (x - y).powi(2)).sum::<f64>().sqrt();
                // 2.3 is about the least difference that is noticed; ten times that is plain.
                assert!(
                    distance > 23.0,
                    "lots {i} and {j} are only {distance:.1} apart in {sight}"
                );
            }
        }
    }
}

#[test]
fn marks_and_texts_stand_out_from_the_paper() {
    for colour in LOTS {
        // WCAG 2.1, 1.4.11: graphical objects at least 3 to 1.
        assert!(contrast(colour, PAPER) >= 3.0, "{colour:?}");
    }
    // WCAG 2.1, 1.4.6: enhanced contrast of text, at least 7 to 1.
    for colour in [INK, PALE_INK] {
        assert!(contrast(colour, PAPER) >= 7.0, "{colour:?}");
    }
    assert!(contrast(LEAF, PAPER) >= 4.5);
    assert!(contrast(HAIRLINE, PAPER) < 2.0, "reading aids stay behind the data");
}

#[test]
fn colour_and_shape_together_repeat_late() {
    let styles: Vec<_> = (0..56).map(lot_style).map(|(c, m)| ((c.0, c.1, c.2), m)).collect();
    let different: std::collections::HashSet<_> = styles.iter().collect();
    assert_eq!(different.len(), 56);
}
