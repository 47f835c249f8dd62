//! The piece table for people: the most useful columns, aligned, with the digits that the uncertainties deserve.

use std::fmt::Write as _;
use std::io::Write;

use super::digits::{decimals_for, fixed, with_uncertainty};
use super::{Flag, PieceRecord, PieceTable, Totals};

/// Writes the table as text, at most about 120 characters wide.
///
/// # Errors
/// The writer fails.
pub fn write_text(table: &PieceTable, mut to: impl Write) -> std::io::Result<()> {
    let mut text = String::new();
    let mut rest = table.pieces.as_slice();
    while let Some(first) = rest.first() {
        let same = rest
            .iter()
            .take_while(|piece| piece.recording == first.recording)
            .count();
        let (pieces, after) = rest.split_at(same);
        recording(&mut text, pieces);
        rest = after;
    }
    summaries(&mut text, table);
    rejected(&mut text, table);
    footer(&mut text, table);
    to.write_all(text.as_bytes())
}

/// A column of text: its heading, the unit under it, and what each row says.
struct Shown {
    heading: &'static str,
    unit: &'static str,
    left: bool,
    cells: Vec<String>,
}

/// Text on one line: whatever would break a line becomes a space.
fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}

fn recording(text: &mut String, pieces: &[PieceRecord]) {
    let Some(first) = pieces.first() else { return };
    let _ = writeln!(text, "recording {}", one_line(&first.recording));
    let shown = shown_columns(pieces);
    let widths: Vec<usize> = shown
        .iter()
        .map(|column| {
            let cells = column.cells.iter().map(|cell| cell.chars().count());
            let heading = column.heading.chars().count();
            cells.fold(heading.max(column.unit.chars().count()), usize::max)
        })
        .collect();
    let mut line = |cell: &dyn Fn(&Shown) -> String| {
        let parts: Vec<String> = shown
            .iter()
            .zip(&widths)
            .map(|(column, width)| {
                let width = *width;
                match column.left {
                    true => format!("{:<width$}", cell(column)),
                    false => format!("{:>width$}", cell(column)),
                }
            })
            .collect();
        let _ = writeln!(text, "  {}", parts.join("  ").trim_end());
    };
    line(&|column| column.heading.to_owned());
    line(&|column| column.unit.to_owned());
    for row in 0..pieces.len() {
        line(&|column| column.cells[row].clone());
    }
    text.push('\n');
}

fn shown_columns(pieces: &[PieceRecord]) -> Vec<Shown> {
    let column = |heading, unit, cell: &dyn Fn(&PieceRecord) -> String| Shown {
        heading,
        unit,
        left: false,
        cells: pieces.iter().map(cell).collect(),
    };
    let mut shown = vec![column("piece", "", &|p| p.piece.to_string())];
    if pieces.iter().any(|p| p.lane.is_some()) {
        shown.push(column("lane", "", &|p| {
            p.lane
                .map_or_else(|| "–".to_owned(), |lane| lane.to_string())
        }));
    }
    shown.push(column("across", "mm", &|p| fixed(p.x_mm, 0)));
    shown.push(column("along", "mm", &|p| fixed(p.y_mm, 0)));
    shown.push(column("length", "mm", &|p| fixed(p.length_mm, 1)));
    shown.push(column("width", "mm", &|p| fixed(p.width_mm, 1)));
    shown.push(column("height", "mm", &|p| fixed(p.max_height_mm, 1)));
    shown.push(column("area", "cm²", &|p| fixed(p.area_cm2, 1)));
    // One number of decimals down a column, the most that any of its uncertainties deserves, keeps points aligned.
    shown.push(paired("volume", "cm³", pieces, |p| {
        (p.volume_cm3, p.volume_u_cm3)
    }));
    if pieces.iter().any(|p| p.fat_fraction.is_some()) {
        shown.push(column("fat", "%", &|p| {
            p.fat_fraction
                .map_or_else(|| "–".to_owned(), |fat| fixed(100.0 * fat, 1))
        }));
    }
    shown.push(paired("mass", "g", pieces, |p| (p.mass_g, p.mass_u_g)));
    if pieces.iter().any(|p| !p.flags.is_empty()) {
        let mut flags = column("flags", "", &|p| {
            let names: Vec<_> = p.flags.iter().map(|flag| flag.name()).collect();
            names.join(" ")
        });
        flags.left = true;
        shown.push(flags);
    }
    shown
}

fn paired(
    heading: &'static str,
    unit: &'static str,
    pieces: &[PieceRecord],
    pair: impl Fn(&PieceRecord) -> (f64, f64),
) -> Shown {
    // The middle piece's uncertainty speaks for the column: one tiny piece must not give all the others false digits.
    let mut uncertainties: Vec<f64> = pieces.iter().map(|piece| pair(piece).1).collect();
    uncertainties.sort_by(f64::total_cmp);
    let middle = uncertainties.get(uncertainties.len() / 2).copied();
    let decimals = decimals_for(middle.unwrap_or(0.0));
    let cells = pieces.iter().map(|piece| {
        let (value, u) = pair(piece);
        (fixed(value, decimals), fixed(u, decimals))
    });
    let cells: Vec<_> = cells.collect();
    let width = cells.iter().map(|(_, u)| u.len()).max().unwrap_or(0);
    Shown {
        heading,
        unit,
        left: false,
        cells: cells
            .into_iter()
            .map(|(value, u)| format!("{value} ± {u:>width$}"))
            .collect(),
    }
}

/// Sums for each product, as grams of one thing and another do not make a sum; then what holds for all pieces.
fn summaries(text: &mut String, table: &PieceTable) {
    if table.pieces.is_empty() {
        text.push_str("no pieces\n");
        return;
    }
    let product_of = |recording: &str| {
        let used = &table.provenance.recordings;
        let found = used.iter().find(|used| used.recording == recording);
        found.and_then(|used| used.product.as_ref().map(|product| product.name.as_str()))
    };
    let mut products: Vec<(Option<&str>, Vec<&PieceRecord>)> = Vec::new();
    for piece in &table.pieces {
        let product = product_of(&piece.recording);
        match products.iter_mut().find(|(name, _)| *name == product) {
            Some((_, pieces)) => pieces.push(piece),
            None => products.push((product, vec![piece])),
        }
    }
    for (product, pieces) in &products {
        if products.len() > 1 {
            let _ = write!(text, "{}: ", one_line(product.unwrap_or("no product")));
        }
        summary(text, pieces);
    }
    flags(text, &table.pieces);
    text.push_str(
        "weights are estimates with standard uncertainties (k = 1), not legal for trade\n",
    );
}

fn summary(text: &mut String, pieces: &[&PieceRecord]) {
    #[allow(clippy::cast_precision_loss)] // A count of pieces.
    let count = pieces.len() as f64;
    let totals = Totals::of(pieces.iter().copied());
    let (total, total_u) = (totals.mass_g, totals.mass_u_g);
    let mean = total / count;
    let noun = if pieces.len() == 1 { "piece" } else { "pieces" };
    let _ = write!(
        text,
        "{} {noun}, total {} g, mean {} g",
        pieces.len(),
        with_uncertainty(total, total_u),
        with_uncertainty(mean, total_u / count),
    );
    if pieces.len() > 1 {
        let squares: f64 = pieces.iter().map(|p| (p.mass_g - mean).powi(2)).sum();
        let spread = (squares / (count - 1.0)).sqrt();
        let _ = write!(
            text,
            ", spread (standard deviation) {} g",
            fixed(spread, decimals_for(total_u / count))
        );
    }
    text.push('\n');
}

fn flags(text: &mut String, pieces: &[PieceRecord]) {
    let counted: Vec<String> = Flag::ALL
        .into_iter()
        .filter_map(|flag| {
            let count = pieces.iter().filter(|p| p.flags.contains(&flag)).count();
            (count > 0).then(|| format!("{} {count}", flag.name()))
        })
        .collect();
    let flagged = pieces.iter().filter(|p| !p.flags.is_empty()).count();
    if flagged == 0 {
        text.push_str("flags: none\n");
    } else {
        let _ = writeln!(
            text,
            "flags: {flagged} of {} pieces ({})",
            pieces.len(),
            counted.join(", ")
        );
    }
}

fn rejected(text: &mut String, table: &PieceTable) {
    if table.rejected.is_empty() {
        return;
    }
    let _ = writeln!(text, "\nnot measured ({}):", table.rejected.len());
    for rejected in &table.rejected {
        let _ = writeln!(
            text,
            "  {}: {}",
            one_line(&rejected.input),
            one_line(&rejected.reason)
        );
    }
}

fn footer(text: &mut String, table: &PieceTable) {
    let origin = &table.provenance;
    text.push('\n');
    for used in &origin.recordings {
        let scans = match used.scans.as_slice() {
            [one] if *one == used.recording => String::new(),
            [one] => format!(", scan {}", one_line(one)),
            [first, .., last] => format!(
                ", {} scans {} to {}",
                used.scans.len(),
                one_line(first),
                one_line(last)
            ),
            [] => String::new(),
        };
        let product = match &used.product {
            Some(product) => format!(
                ", product {} (blake3 {})",
                one_line(&product.name),
                product.blake3.get(..16).unwrap_or(&product.blake3)
            ),
            None => String::new(),
        };
        let colour = match (used.has_colour, used.colour_lossy) {
            (false, _) => ", no colour: no fat and lean",
            (true, true) => ", lossy colour: class shares less sure near edges",
            (true, false) => "",
        };
        let learned = match &used.learned {
            Some(learned) => format!(", {}", one_line(&learned.in_words())),
            None => String::new(),
        };
        let _ = writeln!(
            text,
            "{}: scanner {}, calibration {}{product}{scans}{colour}{learned}",
            one_line(&used.recording),
            one_line(&used.scanner),
            used.calibration_text(),
        );
    }
    for (name, value) in &origin.settings {
        let _ = writeln!(text, "{}: {}", one_line(name), one_line(value));
    }
    let _ = writeln!(
        text,
        "weighlight {}: {}",
        origin.version,
        one_line(&origin.command.join(" "))
    );
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::table::samples;

    fn text_of(table: &PieceTable) -> String {
        let mut bytes = Vec::new();
        write_text(table, &mut bytes).unwrap();
        String::from_utf8(bytes).unwrap()
    }

    #[test]
    fn a_table_for_people_has_units_aligned_columns_and_a_summary() {
        let mut table = samples::table();
        table.pieces.truncate(2);
        let expected = "\
recording 2026-03-04-early
  piece  lane  across  along  length  width  height  area         volume   fat         mass  flags
                   mm     mm      mm     mm      mm   cm²            cm³     %            g
      1     2     120    310   151.2   62.7    34.2  81.2  171.60 ± 0.73  33.3  188.4 ± 1.3  touching spec-mass
      2     –     121    620   151.2   62.7    34.2  81.2  172.60 ± 0.73     –  198.4 ± 1.3

2 pieces, total 386.8 ± 2.5 g, mean 193.4 ± 1.3 g, spread (standard deviation) 7.1 g
flags: 1 of 2 pieces (touching 1, spec-mass 1)
weights are estimates with standard uncertainties (k = 1), not legal for trade

not measured (1):
  archive/0008: height.png: the file ends early

2026-03-04-early: scanner line-2, calibration none: taken as true, product belly-strips (blake3 00ff), scan 2026-03-04T09-12-33_0007
product: belly-strips.toml
weighlight 0.0.0-test: weighlight measure
";
        let shown = text_of(&table);
        assert_eq!(shown, expected, "\n{shown}");
    }

    #[test]
    fn nothing_in_the_text_can_break_a_line() {
        let table = samples::table();
        let text = text_of(&table);
        assert!(
            text.contains("recording late, \"tilted\"; µ new line\n"),
            "{text}"
        );
    }

    #[test]
    fn each_product_is_summed_by_itself() {
        let mut table = samples::table();
        table.pieces.truncate(2);
        table.pieces[1].recording = "rolls".to_owned();
        let mut other = table.provenance.recordings[0].clone();
        other.recording = "rolls".to_owned();
        other.colour_lossy = true;
        if let Some(product) = &mut other.product {
            product.name = "rolls".to_owned();
        }
        table.provenance.recordings.push(other);
        let text = text_of(&table);
        assert!(
            text.contains("belly-strips: 1 piece, total 188.4 ± 1.3 g"),
            "{text}"
        );
        assert!(
            text.contains("rolls: 1 piece, total 198.4 ± 1.3 g"),
            "{text}"
        );
        assert!(!text.contains("2 pieces, total"), "{text}");
        assert_eq!(text.matches("lossy colour").count(), 1, "{text}");
    }

    #[test]
    fn a_table_without_pieces_says_so() {
        let mut table = samples::table();
        table.pieces.clear();
        assert!(text_of(&table).starts_with("no pieces\n"));
    }
}
