//! A comparison as JSON: for programs, and for the page.

use serde_json::{Value, json};

use super::{Comparison, LogFile, PieceFate, WeighingFate};

/// All of a comparison but its pairs. Rows are named by their number, from 1.
#[must_use]
pub fn comparison_json(result: &Comparison) -> Value {
    json!({
        "format": "weighlight-compare/1",
        "logs": result.reading.files.iter().map(log_json).collect::<Vec<_>>(),
        "matching": matching_json(result),
        "agreement": result.agreement,
        "groups": result.groups,
        "causes": result.causes.as_ref().ok(),
        "causes_not_looked_for": result.causes.as_ref().err(),
        "set_aside": result.set_aside.iter().map(|(_, it)| json!({
            "piece_row": it.piece_row, "log_row": it.log_row, "reason": it.reason, "by": it.by, "at": it.at,
        })).collect::<Vec<_>>(),
        "in_words": {
            "matching": result.matching.in_words(),
            "set_aside": result.set_aside_in_words(),
            "agreement": result.agreement.in_words(),
            "causes": result.causes.as_ref().map_or_else(|_| Vec::new(), |it| it.in_words()),
        },
        "caution": "weights are estimates, not legal for trade",
    })
}

fn log_json(file: &LogFile) -> Value {
    json!({
        "path": file.path.display().to_string(), "encoding": file.encoding, "delimiter": file.delimiter,
        "head_line": file.head_line,
        "columns": {"time": file.time_column, "date": file.date_column, "mass": file.mass_column, "lane": file.lane_column},
        "time_form": file.time_form, "decimal_mark": file.decimal_mark, "unit": file.unit, "unit_from": file.unit_from,
        "rows": file.rows, "used": file.used, "outside": file.outside, "repeated": file.repeated,
        "zero_or_less": file.empty_scale, "no_mass": file.no_mass, "no_time": file.no_time, "cut_off": file.cut_off,
        "out_of_order": file.out_of_order, "hour_twice": file.hour_twice,
        "first": file.span.map(|it| it.0), "last": file.span.map(|it| it.1),
    })
}

fn matching_json(result: &Comparison) -> Value {
    let matching = &result.matching;
    let counts = matching.counts();
    let clocks = &matching.clocks;
    let log_row = |at: usize| result.reading.weighings.get(at).map(|it| it.log_row);
    let pieces = |is: fn(&PieceFate) -> bool| -> Vec<usize> {
        let fates = matching.pieces.iter().enumerate();
        fates.filter(|it| is(it.1)).map(|it| it.0 + 1).collect()
    };
    let weighings = |is: fn(&WeighingFate) -> bool| -> Vec<Option<usize>> {
        let fates = matching.weighings.iter().enumerate();
        fates
            .filter(|it| is(it.1))
            .map(|it| log_row(it.0))
            .collect()
    };
    json!({
        "pieces": {
            "all": counts.pieces, "weighed_alone": counts.pieces_weighed, "weighed_together": counts.pieces_together,
            "doubtful": counts.pieces_doubtful, "not_weighed": counts.pieces_not_weighed,
            "outside_log": counts.pieces_outside_log, "unusable": counts.pieces_unusable,
        },
        "weighings": {
            "all": counts.weighings, "of_one_piece": counts.weighings_single, "of_two_pieces": counts.weighings_double,
            "doubtful": counts.weighings_doubtful, "without_piece": counts.weighings_without_piece,
            "test_weights": counts.weighings_test, "outside_scans": counts.weighings_outside_scans,
        },
        "piece_rows": {
            "doubtful": pieces(|it| matches!(it, PieceFate::Doubtful { .. })),
            "not_weighed": pieces(|it| matches!(it, PieceFate::NotWeighed)),
        },
        "log_rows": {
            "doubtful": weighings(|it| matches!(it, WeighingFate::Doubtful)),
            "without_piece": weighings(|it| matches!(it, WeighingFate::NoPiece)),
            "test_weights": weighings(|it| matches!(it, WeighingFate::TestWeight)),
        },
        "swapped_pairs": matching.swaps,
        "wrong_expected": matching.wrong_expected,
        "likeness_sigmas": matching.likeness_sigmas,
        "clocks": {
            "lag_s": clocks.lag_s, "lag_u_s": clocks.lag_u_s, "at": clocks.middle, "rate": clocks.rate, "rate_u": clocks.rate_u,
            "scatter_s": clocks.scatter_s, "wander_s": clocks.wander_s,
        },
        "lane_lag_s": matching.lane_lag_s, "lanes": matching.lanes,
        "test_weights_g": matching.test_weights_g, "readout_g": matching.readout_g,
    })
}
