//! The form of a logger file: its header line, its columns, and how its times are written.

use super::problem::Place;
use super::readings::ReadingRules;
use super::units;

/// So many lines may stand before the header.
const PREAMBLE: usize = 60;

/// Where the columns of a logger file are.
pub(super) struct Columns {
    /// Byte at which the lines of readings begin, and the number of the header line.
    pub(super) body: usize,
    pub(super) header_line: usize,
    pub(super) delimiter: u8,
    pub(super) time: Vec<usize>,
    pub(super) celsius: Option<usize>,
    /// The unit of temperature that the header says.
    pub(super) scale: Option<Scale>,
    pub(super) humidity: Option<usize>,
    /// How many cells the header line has, without empty ones at its end.
    pub(super) n_cells: usize,
}

/// A scale of temperature.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Scale {
    Celsius,
    Fahrenheit,
    Kelvin,
}

impl Scale {
    pub(super) fn celsius(self, x: f64) -> f64 {
        match self {
            Self::Celsius => x,
            Self::Fahrenheit => units::convert(x, "°F", "°C").unwrap_or(x),
            // By definition: 0 °C are 273.15 K.
            Self::Kelvin => x - 273.15,
        }
    }

    /// The scale that the words of a header name, if they name one alone: `Temperature_F`, `Temp degC`,
    /// `Celsius(°C)`, `temperature K`.
    fn of_header(header: &str) -> Option<Self> {
        const WORDS: [(Scale, &[&str]); 3] = [
            (Scale::Celsius, &["c", "degc", "celsius", "centigrade", "tempc", "temperaturec"]),
            (Scale::Fahrenheit, &["f", "degf", "fahrenheit", "tempf", "temperaturef"]),
            (Scale::Kelvin, &["k", "degk", "kelvin", "tempk", "temperaturek"]),
        ];
        const SIGNS: [(Scale, &[&str]); 3] = [
            (Scale::Celsius, &["℃", "摄氏"]),
            (Scale::Fahrenheit, &["℉", "华氏"]),
            (Scale::Kelvin, &["开尔文"]),
        ];
        // The signs of degrees that programs write for one another.
        let name = header.to_lowercase().replace(['°', 'º', '˚'], " ");
        let words: Vec<&str> =
            name.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).collect();
        let of_words = WORDS.iter().filter(|(_, of)| words.iter().any(|w| of.contains(w)));
        let of_signs = SIGNS.iter().filter(|(_, of)| of.iter().any(|s| name.contains(s)));
        let mut named = of_words.chain(of_signs).map(|(scale, _)| *scale);
        let first = named.next()?;
        named.all(|other| other == first).then_some(first)
    }

    /// Whether a header is nothing but the name of a scale.
    fn is_all_of(header: &str) -> bool {
        let plain = without_unit(header);
        ["", "celsius", "fahrenheit", "kelvin", "degc", "degf", "摄氏", "华氏"]
            .contains(&plain.as_str())
            && Self::of_header(header).is_some()
    }
}

type NoColumns = (Option<Place>, String, String);

pub(super) fn columns_of(text: &str, rules: &ReadingRules) -> Result<Columns, NoColumns> {
    let mut start = 0;
    let mut near: Option<NoColumns> = None;
    for (number, line) in (1..=PREAMBLE).zip(text.split_inclusive('\n')) {
        for delimiter in [b'\t', b';', b','] {
            let cells = cells_of(line, delimiter);
            let place = |cell: usize| Some(place_of(text, number, delimiter, cell));
            match match_columns(&cells, rules) {
                Ok(Some((time, celsius, humidity))) => {
                    return Ok(Columns {
                        body: start + line.len(),
                        header_line: number,
                        delimiter,
                        n_cells: cells.iter().rposition(|c| !c.is_empty()).map_or(0, |i| i + 1),
                        time,
                        celsius,
                        scale: celsius.and_then(|at| Scale::of_header(&cells[at])),
                        humidity,
                    });
                }
                Ok(None) => {}
                Err((cell, found)) => {
                    let mend =
                        "name the one that is meant in book.toml: [readings] temperature = \"…\"";
                    near.get_or_insert((place(cell), found, mend.to_owned()));
                }
            }
        }
        start += line.len();
    }
    Err(near.unwrap_or_else(|| {
        let first = text.lines().next().map(|_| place_of(text, 1, b'\n', 0));
        let mend = "name the columns in book.toml: [readings] time = [\"…\"], temperature = \"…\"";
        (first, "no header line was found".to_owned(), mend.to_owned())
    }))
}

fn cells_of(line: &str, delimiter: u8) -> Vec<String> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(delimiter)
        .from_reader(line.as_bytes());
    let cells = reader.records().next().and_then(Result::ok);
    cells.map_or_else(Vec::new, |r| r.iter().map(|c| c.trim().to_owned()).collect())
}

type Matched = (Vec<usize>, Option<usize>, Option<usize>);

/// The columns of times, temperature and humidity of a header line; nothing if it is none.
fn match_columns(
    cells: &[String],
    rules: &ReadingRules,
) -> Result<Option<Matched>, (usize, String)> {
    let named = |name: &String| cells.iter().position(|c| c.eq_ignore_ascii_case(name.trim()));
    let plain: Vec<String> = cells.iter().map(|c| without_unit(c)).collect();
    let called = |names: &[&str]| plain.iter().position(|p| names.contains(&p.as_str()));
    let time: Option<Vec<usize>> = if rules.time.is_empty() {
        let day = called(&["date", "day", "日期"]);
        let time = called(&["time", "时间"]);
        match (day, time) {
            (Some(day), Some(time)) => Some(vec![day, time]),
            (_, Some(time)) => Some(vec![time]),
            _ => called(&[
                "datetime",
                "date time",
                "date/time",
                "date and time",
                "timestamp",
                "日期时间",
                "date-time",
            ])
            .map(|at| vec![at]),
        }
    } else {
        rules.time.iter().map(named).collect()
    };
    let Some(time) = time else { return Ok(None) };
    let begins = |names: &[&str]| -> Vec<usize> {
        let fits = |p: &String| names.iter().any(|n| p.starts_with(n));
        plain.iter().enumerate().filter(|(_, p)| fits(p)).map(|(i, _)| i).collect()
    };
    let scales: Vec<usize> = (0..cells.len()).filter(|i| Scale::is_all_of(&cells[*i])).collect();
    let celsius = match &rules.temperature {
        Some(name) => named(name),
        None => match begins(&["temp", "温度"]).as_slice() {
            [] => called(&["t"]).or(match scales.as_slice() {
                [one] => Some(*one),
                _ => None,
            }),
            [one] => Some(*one),
            [_, second, ..] => {
                let found = "more than one column could be the temperature".to_owned();
                return Err((*second, found));
            }
        },
    };
    let humidity = match &rules.humidity {
        Some(name) => named(name),
        None => match begins(&["humidity", "rel", "rh", "湿度", "相对湿度"]).as_slice() {
            [one] => Some(*one),
            _ => None,
        },
    };
    // A column that the book names must be there; else one of the two is enough.
    let named_is_absent = (rules.temperature.is_some() && celsius.is_none())
        || (rules.humidity.is_some() && humidity.is_none());
    if named_is_absent || (celsius.is_none() && humidity.is_none()) {
        return Ok(None);
    }
    Ok(Some((time, celsius, humidity)))
}

/// A column's name in small letters, without the unit behind it.
fn without_unit(name: &str) -> String {
    let end = name.find(['(', '[', '（', '°', '℃', '℉', '%']).unwrap_or(name.len());
    name[..end].trim().trim_end_matches([',', ':']).to_lowercase()
}

pub(super) fn place_of(text: &str, line: usize, delimiter: u8, cell: usize) -> Place {
    let content = text.split('\n').nth(line - 1).unwrap_or_default().trim_end_matches('\r');
    let mut quoted = false;
    let (mut at, mut start, mut end) = (0, 0, content.len());
    for (i, b) in content.bytes().enumerate() {
        if b == b'"' {
            quoted = !quoted;
        } else if b == delimiter && !quoted {
            if at == cell {
                end = i;
                break;
            }
            (at, start) = (at + 1, i + 1);
        }
    }
    Place {
        line,
        column: content[..start].chars().count() + 1,
        width: content[start..end].chars().count().max(1),
        text: content.to_owned(),
    }
}
