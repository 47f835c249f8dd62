//! The result of a comparison as text and JSON.

use std::io::{Result, Write};

use weighlight::agreement::statistics::{Group, GroupBy};
use weighlight::agreement::{Comparison, comparison_json};
use weighlight::tables::with_uncertainty;

pub(crate) fn text(to: &mut dyn Write, result: &Comparison) -> Result<()> {
    for file in &result.reading.files {
        let mut words = file.in_words().into_iter();
        writeln!(to, "log {}", words.next().unwrap_or_default())?;
        words.try_for_each(|it| writeln!(to, "  {it}"))?;
    }
    writeln!(to, "\nmatching")?;
    paragraph(to, &result.matching.in_words())?;
    writeln!(
        to,
        "\nagreement (differences are estimate minus weighing; intervals of 95 %)"
    )?;
    paragraph(to, &result.set_aside_in_words())?;
    paragraph(to, &result.agreement.in_words())?;
    groups(to, &result.groups)?;
    writeln!(to, "\ncauses")?;
    match &result.causes {
        Ok(causes) => paragraph(to, &causes.in_words())?,
        Err(why) => writeln!(to, "  not looked for: {why}")?,
    }
    writeln!(to, "\nweights are estimates, not legal for trade")
}

fn paragraph(to: &mut dyn Write, words: &[String]) -> Result<()> {
    words.iter().try_for_each(|it| writeln!(to, "  {it}"))
}

fn groups(to: &mut dyn Write, groups: &[Group]) -> Result<()> {
    if groups.is_empty() {
        return Ok(());
    }
    writeln!(
        to,
        "\n  {:<26} {:>6} {:>10} {:>16} {:>10}",
        "group", "pairs", "mean, g", "bias, g", "spread, g"
    )?;
    for group in groups {
        let by = match group.by {
            GroupBy::Lane => "lane",
            GroupBy::Hour => "hour",
            GroupBy::Product => "product",
            GroupBy::Recording => "recording",
            GroupBy::Size => "mass",
        };
        let (bias, spread) = match &group.limits_g {
            Some(limits) => (
                // Half an interval of 95 % is near two standard uncertainties.
                with_uncertainty(limits.bias.value, 0.5 * limits.bias.half_width()),
                format!("{:.2}", limits.sd.value),
            ),
            None => ("–".to_owned(), "–".to_owned()),
        };
        writeln!(
            to,
            "  {:<26} {:>6} {:>10.1} {bias:>16} {spread:>10}",
            format!("{by} {}", group.name),
            group.pairs,
            group.mean_weighed_g
        )?;
    }
    Ok(())
}

pub(crate) fn json(to: &mut dyn Write, result: &Comparison) -> Result<()> {
    serde_json::to_writer_pretty(&mut *to, &comparison_json(result))?;
    to.write_all(b"\n")
}
