//! Packs the chart script that reports carry inside them, taken from the `plotly` crate, into one compressed file.

use std::error::Error;
use std::io::Write;
use std::path::PathBuf;
use std::{env, fs};

use flate2::Compression;
use flate2::write::GzEncoder;

fn main() -> Result<(), Box<dyn Error>> {
    println!("cargo::rerun-if-changed=build.rs");
    let sources = plotly::Plot::offline_js_sources();
    // What comes is several <script> elements, one of which is the chart library; the others set type.
    let script = sources
        .split("<script")
        .filter_map(|element| element.split_once('>'))
        .filter_map(|(_, rest)| rest.rsplit_once("</script>"))
        .map(|(body, _)| body)
        .find(|body| body.contains("plotly.js v"))
        .ok_or("the plotly crate no longer carries its script the way it did")?;
    let mut packed = GzEncoder::new(Vec::new(), Compression::best());
    packed.write_all(script.as_bytes())?;
    let out = PathBuf::from(env::var("OUT_DIR")?).join("charts.js.gz");
    fs::write(out, packed.finish()?)?;
    Ok(())
}
