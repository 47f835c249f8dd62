//! `weighlight open`.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use clap::Args;
use weighlight::Result;
use weighlight::calibration::CalibrationSet;
use weighlight::runs::Run;
use weighlight::scan::{Archive, read_archive};

use super::exit::Exit;
use super::{measure, output};
use crate::web::{Opened, serve};

/// Opens scans and runs as a page in the browser of this machine: look at heights and colour, at pieces and their table.
///
/// Nothing leaves the machine and nothing is loaded from elsewhere. Stop it with Ctrl-C.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// Scan folders, folders that hold scans at any depth, or folders of runs
    #[arg(required = true, value_name = "SCAN|ARCHIVE|RUN")]
    opened: Vec<PathBuf>,
    /// Product profile for every scan
    #[arg(long, value_name = "FILE", conflicts_with = "products")]
    product: Option<PathBuf>,
    /// Folder of product profiles [default: `products` in the first folder opened or beside it]
    #[arg(long, value_name = "DIR")]
    products: Option<PathBuf>,
    /// Folder of scanner calibrations [default: `calibration` in the first folder opened or beside it]
    #[arg(long, value_name = "DIR")]
    calibrations: Option<PathBuf>,
    /// Folder that the page saves into: profiles, records, logs, runs; made when first needed
    #[arg(long, value_name = "DIR", default_value = "weighlight-saved")]
    save_to: PathBuf,
    /// Port to listen on [default: a free one]
    #[arg(
        long,
        value_name = "PORT",
        default_value_t = 0,
        hide_default_value = true
    )]
    port: u16,
    /// Print the address and open no browser
    #[arg(long)]
    no_browser: bool,
}

pub(crate) fn run(arguments: &Arguments) -> Result<Exit> {
    let (runs, scans): (Vec<PathBuf>, Vec<PathBuf>) = arguments
        .opened
        .iter()
        .cloned()
        .partition(|path| Run::is_one(path));
    let beside = |given: &Option<PathBuf>, name: &str| {
        let Some(first) = scans.first() else {
            return given.clone();
        };
        let places = [
            Some(first.join(name)),
            first.parent().map(|it| it.join(name)),
        ];
        let found = places.into_iter().flatten().find(|folder| folder.is_dir());
        given.clone().or(found)
    };
    let product = arguments
        .product
        .as_deref()
        .map(measure::load_product)
        .transpose()?;
    let products = beside(&arguments.products, "products").filter(|_| product.is_none());
    if let Some(folder) = &products {
        output::check_folder(folder, "product profiles")?;
    }
    // Checks of a target lie among the calibrations.
    let around = scans.first().and_then(|first| first.parent());
    let around = around.filter(|folder| folder.join("scanners").is_dir());
    let calibrations_folder =
        beside(&arguments.calibrations, "calibration").or_else(|| around.map(Path::to_path_buf));
    let calibrations = match &calibrations_folder {
        Some(folder) => CalibrationSet::read(folder)?,
        None => CalibrationSet::default(),
    };
    let archive = match scans.is_empty() {
        false => read_archive(&scans)?,
        true => Archive {
            recordings: Vec::new(),
            rejected: Vec::new(),
        },
    };
    let used = |folder: &Option<PathBuf>| match folder {
        Some(folder) => folder.display().to_string(),
        None => "none".to_owned(),
    };
    let told = format!(
        "Product profiles: {}\nCalibrations: {}\nSaves into: {}",
        arguments
            .product
            .as_ref()
            .map_or_else(|| used(&products), |file| file.display().to_string()),
        used(&calibrations_folder),
        arguments.save_to.display()
    );
    let profiles = products.clone();
    let opened = Opened {
        folders: scans,
        runs,
        product: arguments.product.clone(),
        products,
        calibrations_folder,
        save_to: arguments.save_to.clone(),
        working_folder: output::working_folder(),
        archive,
        profile_of: Box::new(move |recording| {
            measure::profile_of(recording, product.as_ref(), profiles.as_deref())
        }),
        calibrations,
    };
    serve(opened, arguments.port, |address| {
        let _ = output::to_stdout(|out| writeln!(out, "{told}\nOpen {address}\nStop with Ctrl-C."));
        if !arguments.no_browser && !open_browser(address) {
            output::warn("no browser could be started: open the address above");
        }
    })?;
    Ok(Exit::Done)
}

/// Starts the browser that the system would.
fn open_browser(address: &str) -> bool {
    let (program, before): (&str, &[&str]) = if cfg!(windows) {
        ("cmd", &["/C", "start", ""])
    } else if cfg!(target_os = "macos") {
        ("open", &[])
    } else {
        ("xdg-open", &[])
    };
    Command::new(Path::new(program))
        .args(before)
        .arg(address)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .is_ok()
}
