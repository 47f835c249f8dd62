//! The comparison with a checkweigher as a page: the finding, the matching, charts, and the rows that found no partner.

use askama::Template;
use jiff::Timestamp;

use crate::agreement::{Comparison, PieceFate, WeighingFate};
use crate::error::Result;
use crate::tables::{PieceRecord, round_to, with_uncertainty};

use super::agreement_charts;
use super::charts::Figure;
use super::page::{Page, render};
use super::quantities::minute;

/// Rows listed one by one at most; the pairs' table and the JSON hold all.
const MOST_ROWS: usize = 60;

/// What the page is made from.
#[derive(Debug, Clone, Copy)]
pub struct AgreementPage<'a> {
    /// The comparison.
    pub comparison: &'a Comparison,
    /// The piece table it was made from.
    pub pieces: &'a [PieceRecord],
    /// Where that table lies.
    pub table: &'a str,
    /// When the page was made.
    pub made: Timestamp,
}

#[derive(Template)]
#[template(path = "agreement.html", config = "src/report/html/askama.toml")]
struct Filled<'a> {
    page: Page,
    table: &'a str,
    made: String,
    finding: Vec<String>,
    agreement: Vec<String>,
    causes: Vec<Paragraph>,
    not_looked_for: Option<&'a str>,
    groups: Vec<GroupRow>,
    matching: Vec<String>,
    logs: Vec<Vec<String>>,
    masses: Figure,
    differences: Figure,
    suspects: Figure,
    times: Figure,
    leftovers: Vec<Leftover>,
    more: usize,
}

/// A sentence, and whether it belongs to the one before.
struct Paragraph {
    text: String,
    below: bool,
}

struct GroupRow {
    by: &'static str,
    name: String,
    pairs: usize,
    mean: String,
    bias: String,
    spread: String,
}

/// A row without a partner.
struct Leftover {
    list: &'static str,
    row: usize,
    time: String,
    mass: String,
    why: String,
}

/// The comparison as one HTML page.
///
/// # Errors
/// The page cannot be written.
pub fn agreement_page(of: &AgreementPage<'_>) -> Result<String> {
    let comparison = of.comparison;
    let agreement = comparison.agreement.in_words();
    let causes = comparison
        .causes
        .as_ref()
        .map_or_else(|_| Vec::new(), |it| it.in_words());
    let mut leftovers = leftovers(of);
    let more = leftovers.len().saturating_sub(MOST_ROWS);
    leftovers.truncate(MOST_ROWS);
    let made_from = format!("{} {:?}", of.table, comparison.matching.clocks);
    render(&Filled {
        page: Page::new("Agreement with the checkweigher".to_owned(), &made_from),
        table: of.table,
        made: minute(of.made),
        finding: finding(comparison, &agreement, &causes),
        agreement,
        causes: causes.into_iter().map(paragraph).collect(),
        not_looked_for: comparison.causes.as_ref().err().map(String::as_str),
        groups: comparison.groups.iter().map(group_row).collect(),
        matching: [
            comparison.matching.in_words(),
            comparison.set_aside_in_words(),
        ]
        .concat(),
        logs: comparison
            .reading
            .files
            .iter()
            .map(|file| file.in_words())
            .collect(),
        masses: agreement_charts::masses(comparison),
        differences: agreement_charts::differences(comparison),
        suspects: agreement_charts::suspects(comparison),
        times: agreement_charts::times(comparison),
        leftovers,
        more,
    })
}

/// Three sentences: how well, why, and how sure the pairs are.
fn finding(comparison: &Comparison, agreement: &[String], causes: &[String]) -> Vec<String> {
    let counts = comparison.matching.counts();
    let matched = counts.pieces_weighed + counts.pieces_together;
    let why = match &comparison.causes {
        Err(why) => format!("Causes were not looked for: {why}"),
        Ok(found) => {
            let first = causes.first().map_or("", String::as_str);
            match found.named.as_slice() {
                [] => first.to_owned(),
                [_] => format!("The cause: {first}"),
                [_, rest @ ..] => {
                    format!(
                        "The largest cause: {first} (and {} more, below)",
                        rest.len()
                    )
                }
            }
        }
    };
    let sure = format!(
        "{matched} of {} pieces have their weighing; {} are doubtful and left out, {} were not weighed",
        counts.pieces, counts.pieces_doubtful, counts.pieces_not_weighed
    );
    let how_well = agreement.first().cloned().unwrap_or_default();
    [how_well, why, sure].map(|it| sentence(&it)).to_vec()
}

/// With a capital and a full stop.
fn sentence(text: &str) -> String {
    let mut signs = text.trim().chars();
    let first: String = signs
        .next()
        .into_iter()
        .flat_map(char::to_uppercase)
        .collect();
    format!("{first}{}.", signs.as_str().trim_end_matches('.'))
}

fn paragraph(text: String) -> Paragraph {
    Paragraph {
        below: text.starts_with(' '),
        text: text.trim().to_owned(),
    }
}

fn group_row(group: &crate::agreement::statistics::Group) -> GroupRow {
    use crate::agreement::statistics::GroupBy;
    let (bias, spread) = match &group.limits_g {
        Some(limits) => (
            // Half an interval of 95 % is near two standard uncertainties.
            with_uncertainty(limits.bias.value, 0.5 * limits.bias.half_width()),
            format!("{:.2}", limits.sd.value),
        ),
        None => ("–".to_owned(), "–".to_owned()),
    };
    GroupRow {
        by: match group.by {
            GroupBy::Lane => "lane",
            GroupBy::Hour => "hour",
            GroupBy::Product => "product",
            GroupBy::Recording => "recording",
            GroupBy::Size => "mass",
        },
        name: group.name.clone(),
        pairs: group.pairs,
        mean: format!("{:.1}", group.mean_weighed_g),
        bias,
        spread,
    }
}

fn leftovers(of: &AgreementPage<'_>) -> Vec<Leftover> {
    let matching = &of.comparison.matching;
    let weighings = &of.comparison.reading.weighings;
    let second = |time: Timestamp| time.strftime("%Y-%m-%d %H:%M:%S").to_string();
    let mut rows: Vec<(Timestamp, Leftover)> = Vec::new();
    for (at, fate) in matching.pieces.iter().enumerate() {
        let Some(piece) = of.pieces.get(at) else {
            continue;
        };
        let why = match fate {
            PieceFate::NotWeighed => "not weighed".to_owned(),
            PieceFate::Doubtful {
                weighing: Some(weighing),
                probability,
            } => match weighings.get(*weighing) {
                Some(weighing) => format!(
                    "doubtful; likeliest log row {} ({:.0} %)",
                    weighing.log_row,
                    100.0 * probability
                ),
                None => "doubtful".to_owned(),
            },
            PieceFate::Doubtful { .. } => "doubtful; likeliest not weighed".to_owned(),
            _ => continue,
        };
        let time = piece.time.unwrap_or(Timestamp::MIN);
        rows.push((
            time,
            Leftover {
                list: "piece",
                row: at + 1,
                time: piece.time.map_or_else(|| "–".to_owned(), second),
                mass: with_uncertainty(piece.mass_g, piece.mass_u_g),
                why,
            },
        ));
    }
    for (fate, weighing) in matching.weighings.iter().zip(weighings) {
        let why = match fate {
            WeighingFate::NoPiece => "no piece belongs to it",
            WeighingFate::Doubtful => "doubtful",
            WeighingFate::TestWeight => "test weight",
            _ => continue,
        };
        rows.push((
            weighing.time,
            Leftover {
                list: "log",
                row: weighing.log_row,
                time: second(weighing.time),
                mass: round_to(weighing.mass_g, 2).to_string(),
                why: why.to_owned(),
            },
        ));
    }
    rows.sort_by_key(|row| row.0);
    rows.into_iter().map(|row| row.1).collect()
}
