//! The JSON Schemas in `docs/schemas` say what the readers accept. Run with `BLESS=1` to rewrite them.

use std::path::Path;

#[track_caller]
fn check(name: &str, schema: &schemars::Schema) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("docs/schemas")
        .join(name);
    let mut generated = serde_json::to_string_pretty(schema).expect("a schema is JSON");
    generated.push('\n');
    if std::env::var_os("BLESS").is_some() {
        std::fs::write(&path, &generated).expect("docs/schemas can be written");
    }
    let committed = std::fs::read_to_string(&path).expect("the schema is committed");
    assert!(
        committed == generated,
        "{name} is not what the types say; run BLESS=1 cargo test --test schemas and review the difference"
    );
}

#[test]
fn the_scan_schema_is_what_the_reader_accepts() {
    check("scan.json", &weighlight::scan::scan_schema());
}

#[test]
fn the_product_schema_is_what_the_reader_accepts() {
    check("product.json", &weighlight::product::product_schema());
}

#[test]
fn the_calibration_schema_is_what_the_reader_accepts() {
    check(
        "calibration.json",
        &weighlight::calibration::calibration_schema(),
    );
}

#[test]
fn the_target_schema_is_what_the_reader_accepts() {
    check("target.json", &weighlight::calibration::target_schema());
}

#[test]
fn the_drift_schema_is_what_is_written() {
    check("drift.json", &weighlight::drift::drift_schema());
}
