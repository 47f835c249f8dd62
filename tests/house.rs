//! The rules the code keeps about itself: which room may know which, where files may be touched, what must not happen.
//!
//! A *room* is a folder or file directly under `src`. The source is read with comments and texts blanked out and
//! with everything behind `#[cfg(test)]` left out.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// The rooms, lowest first: a room may use only rooms before it.
const ORDER: [&str; 21] = [
    "error",
    "document",
    "stats",
    "colour",
    "scan",
    "product",
    "calibration",
    "surface",
    "pieces",
    "measure",
    "weight",
    "tables",
    "pipeline",
    "inspection",
    "drift",
    "history",
    "agreement",
    "runs",
    "report",
    "views",
    "simulate",
];

/// Who may use whom. Every room may use `error`; all else stands here, and what stands here is in use.
const ARROWS: [(&str, &[&str]); 17] = [
    ("scan", &["document"]),
    ("product", &["document"]),
    // Which calibration is in force depends on scanner and time only: calibration knows nothing of scans.
    ("calibration", &["document"]),
    ("surface", &["stats", "scan", "calibration"]),
    // What is hidden is reconstructed by medians over what was seen.
    ("pieces", &["stats", "surface"]),
    // The colour frame's layout (scan) and correction (calibration) decide where and how a cell is looked up.
    (
        "measure",
        &[
            "stats",
            "colour",
            "scan",
            "calibration",
            "surface",
            "pieces",
        ],
    ),
    // Densities and depth rules are what a product profile states; the profile itself computes nothing.
    ("weight", &["product"]),
    // Nearest known column names.
    ("tables", &["document"]),
    (
        "pipeline",
        &[
            "stats",
            "colour",
            "scan",
            "product",
            "calibration",
            "surface",
            "pieces",
            "measure",
            "weight",
            "tables",
        ],
    ),
    (
        "inspection",
        &[
            "colour",
            "scan",
            "product",
            "calibration",
            "surface",
            "pipeline",
        ],
    ),
    // A check reads one scan of one target and fits robustly, and names its files by their hashes; what a change costs is measured on pieces, twice.
    (
        "drift",
        &[
            "document",
            "stats",
            "colour",
            "scan",
            "product",
            "calibration",
            "surface",
            "tables",
            "pipeline",
        ],
    ),
    // Entries keep the essentials of drift reports; charts and fits are of plain numbers.
    ("history", &["stats", "drift"]),
    // A run measures what scan finds by profiles and calibrations, and writes and compares tables.
    (
        "runs",
        &[
            "document",
            "stats",
            "scan",
            "product",
            "calibration",
            "tables",
            "pipeline",
        ],
    ),
    // Rows of the piece table are paired with rows of a log, whose layout may stand in a document; a profile is fitted to weighings.
    (
        "agreement",
        &["document", "stats", "product", "weight", "tables"],
    ),
    // Budgets are drawn from rows of the piece table. Pages show a check and its place in the scanner's history, with as many digits as tables show.
    (
        "report",
        &[
            "document",
            "tables",
            "pipeline",
            "drift",
            "history",
            "agreement",
            "runs",
        ],
    ),
    // What a page shows of one frame, in the colours of the pictures.
    ("views", &["scan", "pipeline", "report"]),
    // A scenario states the product and calibration that fit it, and is scored against rows of the piece table.
    ("simulate", &["scan", "product", "calibration", "tables"]),
];

/// Rooms of the program, which only `main.rs` declares; they reach the library by its name, as anybody else would.
const PROGRAM: [&str; 3] = ["main", "cli", "web"];

/// Rooms that may touch files: those that read what users give, and those that write what users asked for.
const FILE_ROOMS: [&str; 9] = [
    "document",
    "scan",
    "product",
    "calibration",
    "tables",
    "history",
    "agreement",
    "runs",
    "report",
];

/// What makes a result depend on something other than its inputs, or talks past the caller.
const FOREIGN: [&[&str]; 18] = [
    &["println", "!"],
    &["print", "!"],
    &["eprintln", "!"],
    &["eprint", "!"],
    &["dbg", "!"],
    &["stdout"],
    &["stderr"],
    &["stdin"],
    &["std", "::", "env"],
    &["std", "::", "net"],
    &["std", "::", "process"],
    &["SystemTime"],
    &["Instant"],
    &["Timestamp", "::", "now"],
    &["Zoned", "::", "now"],
    &["thread_rng"],
    &["from_os_rng"],
    &["current_num_threads"],
];

/// What stops the program instead of giving an error.
const PANICS: [&[&str]; 6] = [
    &[".", "unwrap", "("],
    &[".", "expect", "("],
    &["panic", "!"],
    &["todo", "!"],
    &["unimplemented", "!"],
    &["unreachable", "!"],
];

/// Longest file before its tests.
const MOST_LINES: usize = 450;

/// Files that may be longer, with the reason.
const LONG_FILES: [(&str, &str); 1] = [(
    "src/tables/columns.rs",
    "one list: every column once, with its meaning",
)];

/// Everything at the top of the repository.
const TOP: [&str; 15] = [
    ".ci",
    ".git",
    ".gitignore",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "README.md",
    "benches",
    "build.rs",
    "calibration",
    "docs",
    "sample-scans",
    "src",
    "target",
    "tests",
];

struct Source {
    /// Path below the repository, with `/`.
    path: String,
    room: String,
    /// How many modules deep the file's own module lies.
    depth: usize,
    /// Words and signs of the code that is not test code.
    tokens: Vec<String>,
    lines_before_tests: usize,
}

fn repository() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
    let mut entries: Vec<PathBuf> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            walk(&path, found);
        } else {
            found.push(path);
        }
    }
}

fn below(path: &Path) -> String {
    let path = path.strip_prefix(repository()).unwrap();
    let parts: Vec<&str> = path.iter().map(|part| part.to_str().unwrap()).collect();
    parts.join("/")
}

/// The code with comments, texts and characters replaced by spaces; lines stay where they are.
fn blanked(text: &str) -> String {
    let bytes: Vec<char> = text.chars().collect();
    let mut out = String::with_capacity(text.len());
    let mut i = 0;
    let blank = |c: char| if c == '\n' { '\n' } else { ' ' };
    while i < bytes.len() {
        let rest = &bytes[i..];
        let end = if rest.starts_with(&['/', '/']) {
            rest.iter().position(|&c| c == '\n').unwrap_or(rest.len())
        } else if rest.starts_with(&['/', '*']) {
            let mut depth = 0;
            let mut k = 0;
            loop {
                if rest[k..].starts_with(&['/', '*']) {
                    depth += 1;
                    k += 2;
                } else if rest[k..].starts_with(&['*', '/']) {
                    depth -= 1;
                    k += 2;
                } else {
                    k += 1;
                }
                if depth == 0 || k >= rest.len() {
                    break k.min(rest.len());
                }
            }
        } else if let Some(hashes) = raw_text(rest) {
            let mut closing = vec!['"'];
            closing.extend(std::iter::repeat_n('#', hashes));
            let open = hashes + 2;
            let body = rest[open..]
                .windows(closing.len())
                .position(|window| window == closing);
            body.map_or(rest.len(), |at| open + at + closing.len())
        } else if rest[0] == '"' {
            quoted_end(rest, '"')
        } else if rest[0] == '\'' && (rest.get(1) == Some(&'\\') || rest.get(2) == Some(&'\'')) {
            quoted_end(rest, '\'')
        } else {
            0
        };
        if end == 0 {
            out.push(rest[0]);
            // A whole word at once, so that the `r` of a name is not taken for the start of a raw text.
            let word = rest
                .iter()
                .take_while(|c| c.is_alphanumeric() || **c == '_')
                .count();
            out.extend(&rest[1.min(word)..word]);
            i += word.max(1);
        } else {
            out.extend(rest[..end].iter().map(|&c| blank(c)));
            i += end;
        }
    }
    out
}

/// Number of `#` if a raw text starts here.
fn raw_text(rest: &[char]) -> Option<usize> {
    let skip = usize::from(rest[0] == 'b');
    if rest.get(skip) != Some(&'r') {
        return None;
    }
    let hashes = rest[skip + 1..].iter().take_while(|&&c| c == '#').count();
    (rest.get(skip + 1 + hashes) == Some(&'"')).then_some(hashes + skip)
}

fn quoted_end(rest: &[char], quote: char) -> usize {
    let mut k = 1;
    while k < rest.len() && rest[k] != quote {
        k += if rest[k] == '\\' { 2 } else { 1 };
    }
    (k + 1).min(rest.len())
}

/// Words, `::` and single signs.
fn tokens(code: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut rest = code.trim_start();
    while let Some(first) = rest.chars().next() {
        let length = if first.is_alphanumeric() || first == '_' {
            rest.find(|c: char| !c.is_alphanumeric() && c != '_')
                .unwrap_or(rest.len())
        } else if rest.starts_with("::") {
            2
        } else {
            first.len_utf8()
        };
        found.push(rest[..length].to_owned());
        rest = rest[length..].trim_start();
    }
    found
}

/// The same tokens without items marked `#[cfg(test)]`, and the modules in files of their own among those items.
fn without_tests(tokens: Vec<String>) -> (Vec<String>, Vec<String>) {
    const MARK: [&str; 7] = ["#", "[", "cfg", "(", "test", ")", "]"];
    let mut kept = Vec::new();
    let mut modules = Vec::new();
    let mut i = 0;
    while i < tokens.len() {
        if tokens.len() - i < MARK.len() || tokens[i..i + MARK.len()] != MARK {
            kept.push(tokens[i].clone());
            i += 1;
            continue;
        }
        let item = i + MARK.len();
        let (mut depth, mut k) = (0, item);
        while k < tokens.len() {
            match tokens[k].as_str() {
                "{" => depth += 1,
                "}" => depth -= 1,
                _ => {}
            }
            k += 1;
            if depth == 0 && matches!(tokens[k - 1].as_str(), "}" | ";") {
                break;
            }
        }
        let words = &tokens[item..k];
        if let Some(at) = words.iter().position(|word| word == "mod")
            && words.get(at + 2).map(String::as_str) == Some(";")
        {
            modules.push(words[at + 1].clone());
        }
        i = k;
    }
    (kept, modules)
}

/// All of `src`, without files that are test modules.
fn sources() -> Vec<Source> {
    let mut paths = Vec::new();
    walk(&repository().join("src"), &mut paths);
    let mut test_files = BTreeSet::new();
    let mut found = Vec::new();
    for path in paths {
        if path.extension().is_none_or(|extension| extension != "rs") {
            continue;
        }
        let text = fs::read_to_string(&path).unwrap();
        let code = blanked(&text);
        let (tokens, test_modules) = without_tests(tokens(&code));
        let name = below(&path);
        let module = name
            .trim_start_matches("src/")
            .trim_end_matches(".rs")
            .trim_end_matches("/mod");
        let parent = path.parent().unwrap();
        let inside = if name.ends_with("/mod.rs") || module == "lib" || module == "main" {
            parent.to_path_buf()
        } else {
            path.with_extension("")
        };
        for test in test_modules {
            test_files.insert(below(&inside.join(format!("{test}.rs"))));
        }
        let before = code
            .lines()
            .position(|line| line.trim() == "#[cfg(test)]")
            .filter(|&at| code.lines().nth(at + 1).is_some_and(|l| l.contains('{')));
        found.push(Source {
            room: module.split('/').next().unwrap().to_owned(),
            depth: match module {
                "lib" | "main" => 0,
                _ => module.split('/').count(),
            },
            tokens,
            lines_before_tests: before.unwrap_or_else(|| text.lines().count()),
            path: name,
        });
    }
    found.retain(|source| !test_files.contains(&source.path));
    assert!(found.len() > 50, "the source was not found");
    found
}

fn in_library(source: &Source) -> bool {
    !PROGRAM.contains(&source.room.as_str())
}

/// First words of all paths that start at the crate's root.
fn roots(source: &Source) -> Vec<String> {
    let t = &source.tokens;
    let mut found = Vec::new();
    let mut i = 0;
    while i < t.len() {
        let mut next = None;
        if (t[i] == "crate" || t[i] == "weighlight") && t.get(i + 1).is_some_and(|s| s == "::") {
            next = Some(i + 2);
        } else if t[i] == "super" && (i == 0 || t[i - 1] != "::") {
            let steps = t[i..]
                .chunks(2)
                .take_while(|pair| pair.len() == 2 && pair[0] == "super" && pair[1] == "::")
                .count();
            if steps >= source.depth {
                next = Some(i + 2 * steps);
            }
        }
        if let Some(at) = next {
            found.extend(first_words(&t[at..]));
        }
        i += 1;
    }
    found
}

/// The first word of a path, or of each path in a group.
fn first_words(t: &[String]) -> Vec<String> {
    if t.first().is_none_or(|word| word != "{") {
        return t.first().cloned().into_iter().collect();
    }
    let (mut depth, mut starts, mut found) = (0, true, Vec::new());
    for word in t {
        match word.as_str() {
            "{" => depth += 1,
            "}" => {
                depth -= 1;
                if depth == 0 {
                    break;
                }
            }
            "," if depth == 1 => starts = true,
            _ => {
                if starts {
                    found.push(word.clone());
                    starts = false;
                }
            }
        }
    }
    found
}

/// `(from, to, file)` for each use of one room by another.
fn arrows() -> BTreeSet<(String, String, String)> {
    let mut found = BTreeSet::new();
    for source in sources() {
        for word in roots(&source) {
            // What is exported at the root under a name of its own is the error's.
            let target = if word.starts_with(char::is_uppercase) {
                "error".to_owned()
            } else {
                word
            };
            if target != source.room {
                found.insert((source.room.clone(), target, source.path.clone()));
            }
        }
    }
    found
}

fn place(room: &str) -> Option<usize> {
    ORDER.iter().position(|known| *known == room)
}

fn has(tokens: &[String], wanted: &[&str]) -> bool {
    tokens.windows(wanted.len()).any(|window| window == wanted)
}

#[test]
fn every_room_has_its_place_in_the_order() {
    for source in sources() {
        let known = place(&source.room).is_some() || source.room == "lib" || !in_library(&source);
        assert!(
            known,
            "{}: room {} has no place in the order",
            source.path, source.room
        );
    }
}

#[test]
fn no_arrow_of_the_table_runs_back() {
    for (from, to) in ARROWS {
        for to in to {
            assert!(place(to).unwrap() < place(from).unwrap(), "{from} -> {to}");
        }
    }
}

#[test]
fn rooms_use_only_what_the_table_allows() {
    let wrong: Vec<_> = arrows()
        .into_iter()
        .filter(|(from, to, _)| {
            let from = from.as_str();
            let program = PROGRAM.contains(&from);
            let allowed = ARROWS
                .iter()
                .any(|(user, used)| *user == from && used.contains(&to.as_str()));
            match from {
                "lib" => false,
                "main" => to != "cli" && place(to).is_none(),
                // The command line starts the page; the page knows nothing of the command line.
                "cli" => to != "web" && place(to).is_none(),
                _ if program => place(to).is_none(),
                _ => !(to == "error" || allowed),
            }
        })
        .collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn every_arrow_of_the_table_is_in_use() {
    let used: BTreeSet<(String, String)> = arrows().into_iter().map(|(f, t, _)| (f, t)).collect();
    for (from, to) in ARROWS {
        if !sources().iter().any(|source| source.room == from) {
            continue;
        }
        for to in to {
            let arrow = (from.to_owned(), (*to).to_owned());
            assert!(used.contains(&arrow), "{from} -> {to} is not used any more");
        }
    }
}

#[test]
fn only_the_program_declares_the_command_line() {
    for source in sources().iter().filter(|source| in_library(source)) {
        for room in PROGRAM {
            assert!(!has(&source.tokens, &["mod", room]), "{}", source.path);
        }
        assert!(!has(&source.tokens, &["clap"]), "{}", source.path);
    }
}

/// The source holds none of these runs of tokens.
#[track_caller]
fn assert_without(source: &Source, unwanted: &[&[&str]]) {
    for wanted in unwanted {
        assert!(
            !has(&source.tokens, wanted),
            "{}: {}",
            source.path,
            wanted.concat()
        );
    }
}

#[test]
fn the_library_prints_nothing_and_asks_no_clock_environment_or_network() {
    for source in sources().iter().filter(|source| in_library(source)) {
        assert_without(source, &FOREIGN);
    }
}

#[test]
fn files_are_touched_only_where_they_may_be() {
    for source in sources().iter().filter(|source| in_library(source)) {
        let touches = has(&source.tokens, &["fs"]) || has(&source.tokens, &["File"]);
        assert!(
            !touches || FILE_ROOMS.contains(&source.room.as_str()),
            "{} touches files",
            source.path
        );
    }
}

#[test]
fn no_code_stops_the_program_on_purpose() {
    for source in sources() {
        assert_without(&source, &PANICS);
    }
}

#[test]
fn no_code_is_unsafe() {
    for source in sources() {
        for word in ["unsafe", "unsafe_code"] {
            assert!(!has(&source.tokens, &[word]), "{}", source.path);
        }
    }
}

#[test]
fn no_order_of_results_comes_from_a_hash() {
    // One map of at most two entries, which the Arrow crate's interface asks for and its writer sorts.
    let allowed = ["src/tables/parquet_format.rs"];
    for source in sources() {
        let hashes = has(&source.tokens, &["HashMap"]) || has(&source.tokens, &["HashSet"]);
        assert!(
            !hashes || allowed.contains(&source.path.as_str()),
            "{}",
            source.path
        );
    }
}

#[test]
fn no_file_does_everything() {
    let long: Vec<String> = sources()
        .iter()
        .filter(|source| source.lines_before_tests > MOST_LINES)
        .filter(|source| !LONG_FILES.iter().any(|(path, _)| *path == source.path))
        .map(|source| format!("{}: {} lines", source.path, source.lines_before_tests))
        .collect();
    assert!(long.is_empty(), "{long:#?}");
}

#[test]
fn no_file_is_named_after_nothing() {
    for source in sources() {
        for part in source.path.trim_end_matches(".rs").split('/') {
            let empty = ["util", "utils", "helper", "helpers", "common", "misc"];
            assert!(!empty.contains(&part), "{}", source.path);
        }
    }
}

#[test]
fn only_what_belongs_there_lies_at_the_top() {
    for entry in fs::read_dir(repository()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(TOP.contains(&name.as_str()), "{name}");
    }
}

#[test]
fn no_text_speaks_of_unfinished_work_or_of_places_outside() {
    // Put together here so that this file does not hold them itself.
    let words = [
        concat!("TO", "DO"),
        concat!("FIX", "ME"),
        concat!("XX", "X"),
        concat!("place", "holder"),
        concat!("../", "shared"),
        concat!("/wo", "rk/"),
        concat!("/ho", "me/"),
        concat!("/ro", "ot/"),
        concat!("seed ", "idea"),
        concat!("sub", "agent"),
        concat!("chat", "bot"),
        concat!("language ", "model"),
    ];
    let mut paths = Vec::new();
    for name in [
        "src",
        "tests",
        "benches",
        "docs",
        ".ci",
        "sample-scans",
        "calibration",
    ] {
        let folder = repository().join(name);
        if folder.is_dir() {
            walk(&folder, &mut paths);
        }
    }
    paths.extend(["Cargo.toml", "README.md", "DEVELOPERS.md"].map(|name| repository().join(name)));
    for path in paths {
        // Pictures and archives are no text.
        let Ok(text) = fs::read_to_string(&path) else {
            continue;
        };
        for word in words {
            assert!(!text.contains(word), "{}: {word}", below(&path));
        }
    }
}

#[test]
fn the_reader_of_source_sees_code_and_only_code() {
    let text = "// crate::scan\nlet a = \"crate::pieces\"; let b = 'x'; let c: &'static str = r#\"crate::weight\"#;\n\
                use crate::{error::Error, document::{a, b}};\n#[cfg(test)]\nmod tests { use crate::report; }\nfn f() { super::super::stats::x() }";
    let (tokens, _) = without_tests(tokens(&blanked(text)));
    let source = Source {
        path: "src/colour/made_up.rs".to_owned(),
        room: "colour".to_owned(),
        depth: 2,
        tokens,
        lines_before_tests: 0,
    };
    assert_eq!(roots(&source), ["error", "document", "stats"]);
}
