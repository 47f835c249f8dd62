//! Agreement of estimated weights with a checkweigher: which weighing belongs to which piece, how well they agree, why they differ, and the
//! product profile that follows.

pub mod causes;
mod comparison;
mod comparison_json;
mod exclusions;
mod log;
mod matching;
mod pair;
mod pairs_table;
pub mod statistics;
pub mod tune;
mod weighing;

pub use comparison::{CompareSettings, Comparison, compare, compare_logs};
pub use comparison_json::comparison_json;
pub use exclusions::{
    EXCLUSIONS_FORMAT, Exclusion, Exclusions, files_hash, read_exclusions, write_exclusions,
};
pub use log::{
    DateOrder, DecimalMark, LogFile, LogLayout, LogReading, MassUnit, layout_beside, read_layout,
    read_log_files,
};
pub use matching::{
    Clocks, Counts, Match, MatchSettings, Matching, PieceFate, WeighingFate, match_weighings,
    paired_pieces,
};
pub use pair::PairedPiece;
pub use pairs_table::{PairRow, pair_rows, write_pairs_csv, write_pairs_parquet};
pub use weighing::Weighing;
