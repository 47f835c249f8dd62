//! Logs as machines and office programs write them, read to the same weighings; and what is asked for where a log does not say it.

use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use weighlight::Result;
use weighlight::agreement::{
    DateOrder, DecimalMark, LogLayout, LogReading, MassUnit, read_log_files,
};

struct Desk(tempfile::TempDir);

impl Desk {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn log(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.0.path().join(name);
        fs::write(&path, bytes).unwrap();
        path
    }
}

fn layout(time: &str, mass: &str) -> LogLayout {
    LogLayout {
        time: Some(time.to_owned()),
        mass: Some(mass.to_owned()),
        ..LogLayout::default()
    }
}

fn read(path: &Path, layout: &LogLayout) -> Result<LogReading> {
    read_log_files(&[path], layout, None)
}

fn masses(reading: &LogReading) -> Vec<f64> {
    reading.weighings.iter().map(|it| it.mass_g).collect()
}

fn times(reading: &LogReading) -> Vec<String> {
    reading
        .weighings
        .iter()
        .map(|it| it.time.to_string())
        .collect()
}

#[track_caller]
fn says(result: Result<LogReading>, words: &[&str]) {
    let message = result.unwrap_err().to_string();
    for word in words {
        assert!(message.contains(word), "“{word}” is not in: {message}");
    }
}

const PLAIN: &str =
    "number,time,mass_g\n1,2026-03-04T08:00:01.25Z,182.5\n2,2026-03-04T08:00:02.5Z,179\n";

#[test]
fn one_log_in_many_forms_gives_the_same_weighings() {
    let desk = Desk::new();
    let plain = read(&desk.log("plain.csv", PLAIN), &layout("time", "mass_g")).unwrap();
    assert_eq!(masses(&plain), [182.5, 179.0]);
    assert_eq!(
        times(&plain),
        ["2026-03-04T08:00:01.25Z", "2026-03-04T08:00:02.5Z"]
    );
    assert_eq!(plain.weighings[1].log_row, 2);

    let office = "Waage 4;Export\n\nNr;Datum;Zeit;Gewicht (kg)\n1;04.03.2026;09:00:01,25;0,1825\n2;04.03.2026;09:00:02,50;0,179\n";
    let mut german = layout("Zeit", "Gewicht (kg)");
    german.date = Some("Datum".to_owned());
    german.zone = Some("Europe/Berlin".to_owned());
    let found = read(&desk.log("office.csv", office), &german).unwrap();
    assert_eq!(times(&found), times(&plain));
    for (one, other) in masses(&found).iter().zip(masses(&plain)) {
        assert!((one - other).abs() < 1e-9);
    }
    let file = &found.files[0];
    assert_eq!(
        (file.delimiter, file.head_line, file.decimal_mark),
        (';', 3, ',')
    );
    assert_eq!((file.unit, file.unit_from), ("kg", "from its name"));

    let tabs = "time\tweight\n3/4/2026 2:00:01.25 AM\t6.43749805 oz\n3/4/2026 2:00:02.50 AM\t6.3140420 oz\n";
    let mut american = layout("time", "weight");
    american.date_order = Some(DateOrder::MonthDay);
    american.zone = Some("America/Chicago".to_owned());
    let found = read(&desk.log("tabs.csv", tabs), &american).unwrap();
    assert_eq!(times(&found), times(&plain));
    for (one, other) in masses(&found).iter().zip(masses(&plain)) {
        assert!((one - other).abs() < 1e-4, "{one} {other}");
    }

    let only_times = "time;mass\n09:00:01.25;182.5 g\n09:00:02.5;179 g\n";
    let mut of_day = layout("time", "mass");
    of_day.zone = Some("Europe/Berlin".to_owned());
    of_day.day = Some(jiff::civil::date(2026, 3, 4));
    let found = read(&desk.log("times.csv", only_times), &of_day).unwrap();
    assert_eq!(
        (times(&found), masses(&found)),
        (times(&plain), masses(&plain))
    );
}

#[test]
fn pounds_and_ounces_are_the_international_ones() {
    let desk = Desk::new();
    let path = desk.log(
        "lb.csv",
        "time,mass\n2026-03-04T08:00:01Z,1\n2026-03-04T08:00:02Z,0.5\n",
    );
    let mut given = layout("time", "mass");
    given.unit = Some(MassUnit::Pound);
    // International yard and pound agreement of 1959: 0.453 592 37 kg exactly; the ounce is a sixteenth.
    assert_eq!(
        masses(&read(&path, &given).unwrap()),
        [453.592_37, 226.796_185]
    );
    given.unit = Some(MassUnit::Ounce);
    assert!((masses(&read(&path, &given).unwrap())[0] - 28.349_523_125).abs() < 1e-9);
}

#[test]
fn every_encoding_reads_or_says_what_is_wrong() {
    let desk = Desk::new();
    let text =
        "Uhrzeit;Größe;Gewicht in g\n2026-03-04T08:00:01Z;L;182,5\n2026-03-04T08:00:02Z;M;179,0\n";
    let wanted = layout("Uhrzeit", "Gewicht in g");
    let latin: Vec<u8> = text
        .chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect();
    let little: Vec<u8> = [0xff, 0xfe]
        .into_iter()
        .chain(text.encode_utf16().flat_map(u16::to_le_bytes))
        .collect();
    let windows: Vec<u8> = [0xef, 0xbb, 0xbf]
        .into_iter()
        .chain(text.replace('\n', "\r\n").bytes())
        .collect();
    for (name, bytes, encoding) in [
        ("utf8.csv", text.as_bytes().to_vec(), "UTF-8"),
        ("windows.csv", windows, "UTF-8"),
        ("latin.csv", latin, "Latin-1"),
        ("utf16.csv", little, "UTF-16"),
    ] {
        let found = read(&desk.log(name, bytes), &wanted).unwrap();
        assert_eq!(masses(&found), [182.5, 179.0], "{name}");
        assert_eq!(found.files[0].encoding, encoding, "{name}");
    }
    let bare: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
    says(
        read(&desk.log("bare.csv", bare), &wanted),
        &[
            "bare.csv",
            "UTF-16 without a byte order mark",
            "save it as CSV in UTF-8",
        ],
    );
}

#[test]
fn what_a_log_does_not_say_is_asked_for() {
    let desk = Desk::new();
    let bare = "time,mass\n04/03/2026 09:00:01,\"1,250\"\n04/03/2026 09:00:02,980\n";
    let path = desk.log("bare.csv", bare);
    let mut given = layout("time", "mass");
    says(
        read(&path, &given),
        &["bare.csv", "mass", "“1,250”", "--decimal"],
    );
    given.decimal = Some(DecimalMark::Point);
    says(read(&path, &given), &["unit", "--unit"]);
    given.unit = Some(MassUnit::Gram);
    says(
        read(&path, &given),
        &["“04/03/2026 09:00:01”", "--date-order"],
    );
    given.date_order = Some(DateOrder::DayMonth);
    says(read(&path, &given), &["no offset from UTC", "--zone"]);
    given.zone = Some("Europe/Nowhere".to_owned());
    says(read(&path, &given), &["Europe/Nowhere", "IANA"]);
    given.zone = Some("Europe/London".to_owned());
    let found = read(&path, &given).unwrap();
    assert_eq!(masses(&found), [1250.0, 980.0]);
    assert_eq!(times(&found)[0], "2026-03-04T09:00:01Z");

    let path = desk.log("times.csv", "time,mass_g\n09:00:01,182.5\n");
    let mut given = layout("time", "mass_g");
    given.zone = Some("UTC".to_owned());
    says(read(&path, &given), &["no date", "--date", "--day"]);
    says(
        read(&path, &layout("time", "wieght")),
        &["wieght", "no such column", "time, mass_g"],
    );
    says(
        read(&path, &LogLayout::default()),
        &["--time", "time, mass_g"],
    );
}

#[test]
fn a_file_beside_the_log_says_the_same_as_options() {
    let desk = Desk::new();
    let log = desk.log("weigher.csv", "t;m;l\n04.03.2026 09:00:01;182,5;Lane 3\n");
    desk.log(
        "weigher.csv.toml",
        "format = \"weighlight-checkweigher/1\"\ntime = \"t\"\nmass = \"m\"\nlane = \"l\"\nunit = \"g\"\nzone = \"Europe/Berlin\"\ntest_weights_g = [200.0]\n",
    );
    let found = read(&log, &LogLayout::default()).unwrap();
    assert_eq!(times(&found), ["2026-03-04T08:00:01Z"]);
    assert_eq!(found.weighings[0].lane, Some(3));
    assert_eq!(found.test_weights_g, [200.0]);
    // An option goes first.
    let given = LogLayout {
        zone: Some("UTC".to_owned()),
        ..LogLayout::default()
    };
    assert_eq!(
        times(&read(&log, &given).unwrap()),
        ["2026-03-04T09:00:01Z"]
    );
    desk.log(
        "weigher.csv.toml",
        "format = \"weighlight-checkweigher/1\"\ntime = \"t\"\nmass = \"m\"\nunit = \"stone\"\n",
    );
    says(
        read(&log, &LogLayout::default()),
        &["weigher.csv.toml:4", "unit", "stone", "g, kg, lb or oz"],
    );
    desk.log(
        "weigher.csv.toml",
        "format = \"weighlight-checkweigher/1\"\ntiem = \"t\"\n",
    );
    says(read(&log, &LogLayout::default()), &["tiem", "did you mean"]);
}

#[test]
fn bad_rows_are_counted_and_a_bad_column_is_refused() {
    let desk = Desk::new();
    let mut text = String::from("time,mass_g,state\n");
    for k in 0..40 {
        text.push_str(&format!("2026-03-04T08:00:{k:02}.5Z,{}.5,ok\n", 150 + k));
    }
    // The same row again, an empty scale, out of range, a time that is none, cut off.
    text.push_str("2026-03-04T08:00:07.5Z,157.5,ok\n2026-03-04T08:01:00.5Z,0.0,ok\n2026-03-04T08:01:01.5Z,OVER,ok\n");
    text.push_str("total,6000,ok\n2026-03-04T08:0");
    let found = read(&desk.log("rows.csv", &text), &layout("time", "mass_g")).unwrap();
    let file = &found.files[0];
    assert_eq!(
        (
            file.rows,
            file.used,
            file.repeated,
            file.empty_scale,
            file.no_mass,
            file.no_time,
            file.cut_off
        ),
        (45, 40, 1, 1, 1, 1, 1)
    );
    assert_eq!(file.no_mass_example, Some((43, "OVER".to_owned())));
    assert_eq!(file.out_of_order, 1);
    assert!(file.in_words().join("\n").contains("“OVER”"));
    says(
        read(&desk.log("rows2.csv", &text), &layout("time", "state")),
        &["state", "no cell is a number", "--mass"],
    );
    says(
        read(&desk.log("rows3.csv", &text), &layout("state", "mass_g")),
        &["state", "no cell is a time", "--time"],
    );
    for (name, empty) in [
        ("empty.csv", ""),
        ("blank.csv", "\n\n"),
        ("head.csv", "time,mass_g\n"),
    ] {
        assert!(
            read(&desk.log(name, empty), &layout("time", "mass_g")).is_err(),
            "{name}"
        );
    }
    says(
        read(Path::new("no-such.csv"), &layout("time", "mass_g")),
        &["no-such.csv"],
    );
}

#[test]
fn only_rows_within_the_span_are_kept_and_rows_of_several_logs_count_on() {
    let desk = Desk::new();
    let at = |text: &str| text.parse::<Timestamp>().unwrap();
    let one = desk.log("one.csv", PLAIN);
    let other = desk.log("two.csv", PLAIN.replace("08:00", "08:10"));
    let span = Some((at("2026-03-04T08:00:02Z"), at("2026-03-04T09:00:00Z")));
    let found = read_log_files(&[&one, &other], &layout("time", "mass_g"), span).unwrap();
    let rows: Vec<usize> = found.weighings.iter().map(|it| it.log_row).collect();
    assert_eq!(rows, [2, 3, 4]);
    assert_eq!((found.files[0].outside, found.files[0].used), (1, 1));
    // An export that overlaps another adds nothing.
    let again = read_log_files(&[&one, &one], &layout("time", "mass_g"), None).unwrap();
    assert_eq!((again.weighings.len(), again.files[1].repeated), (2, 2));
}

#[test]
fn two_pieces_of_one_second_and_mass_are_no_repetition() {
    let desk = Desk::new();
    let text = "time,mass_g\n2026-03-04T08:00:01Z,182.5\n2026-03-04T08:00:01Z,182.5\n2026-03-04T08:00:02Z,180\n2026-03-04T08:00:01Z,182.5\n";
    let found = read(&desk.log("seconds.csv", text), &layout("time", "mass_g")).unwrap();
    assert_eq!((found.weighings.len(), found.files[0].repeated), (3, 1));
}

#[test]
fn night_shifts_and_summer_time_go_on() {
    let desk = Desk::new();
    let text = "time,mass_g\n23:59:58,181\n23:59:59,182\n00:00:01,183\n";
    let mut given = layout("time", "mass_g");
    given.zone = Some("Europe/Berlin".to_owned());
    given.day = Some(jiff::civil::date(2026, 3, 4));
    let found = read(&desk.log("night.csv", text), &given).unwrap();
    assert_eq!(times(&found)[2], "2026-03-04T23:00:01Z");
    let text =
        "time,mass_g\n2026-10-25 02:59:59,181\n2026-10-25 02:00:01,182\n2026-10-25 03:00:00,183\n";
    let found = read(&desk.log("autumn.csv", text), &given).unwrap();
    assert_eq!(
        times(&found),
        [
            "2026-10-25T00:59:59Z",
            "2026-10-25T01:00:01Z",
            "2026-10-25T02:00:00Z"
        ]
    );
    assert_eq!(found.files[0].hour_twice, 2);
}
