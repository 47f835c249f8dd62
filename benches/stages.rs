//! What each stage of a measurement costs, in nanoseconds a pixel of height, on one thread: simulated scans of 1500 × 2500
//! samples with colour, with the noise, dropouts and shadows their scenarios have.
//!
//! `cargo bench --bench stages -- [SCENARIO …]`

use std::collections::BTreeMap;
use std::time::Instant;

use weighlight::colour::{ClassMap, LabLimits};
use weighlight::measure::{
    BeltKnowledge, ClassRules, ColourField, Footprint, HeightPlace, classes, measure,
};
use weighlight::pieces::{
    Cameras, FindRules, Lighting, PieceFinder, clean, gaps_of, mend, own_unseen_mm, split,
};

/// Cameras and laser told from the shadows.
const UNKNOWN: Lighting = Lighting {
    cameras: Cameras::Unknown,
    laser: None,
};
use weighlight::pipeline::{Plan, measure_recording};
use weighlight::product::Product;
use weighlight::scan::{ColourReader, HeightReader, Scan, read_archive, write_scan};
use weighlight::simulate::{Scenario, simulate};
use weighlight::surface::{FrameLayout, SurfaceStream};
use weighlight::tables::{PieceTable, Provenance, write_json};

const ROWS: usize = 2500;
/// Each scan is measured so often; the least time counts, which the rest of the machine disturbs least.
const REPEATS: usize = 5;
const NOISE_MM: f64 = 0.06;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

/// Least time of each stage, s, in the order they run.
#[derive(Default)]
struct Times(BTreeMap<usize, (&'static str, f64)>);

impl Times {
    fn run<T>(&mut self, order: usize, name: &'static str, work: impl FnOnce() -> T) -> T {
        let start = Instant::now();
        let result = std::hint::black_box(work());
        self.0.entry(order).or_insert((name, 0.0)).1 += start.elapsed().as_secs_f64();
        result
    }
}

fn main() -> Outcome<()> {
    rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build_global()?;
    let mut names: Vec<String> = std::env::args()
        .skip(1)
        .filter(|name| !name.starts_with('-'))
        .collect();
    if names.is_empty() {
        names = ["belly-strips", "lobes", "crowd"]
            .map(str::to_string)
            .to_vec();
    }
    let copy = copy_gb_s();
    println!("copying 256 MB in memory: {copy:.1} GB/s (read and written)\n");
    let mut tables = Vec::new();
    for name in &names {
        let mut scenario = Scenario::named(name).ok_or(format!("no scenario {name}"))?;
        scenario.frame_rows = ROWS;
        scenario.length_mm = ROWS as f64 * scenario.scanner.pitch_along_mm;
        tables.push(stages(&scenario)?);
    }
    print!("{:<28}", "ns a pixel");
    names.iter().for_each(|name| print!("{name:>14}"));
    println!();
    for (order, (stage, _)) in &tables[0].0 {
        print!("{stage:<28}");
        for table in &tables {
            print!("{:>14.2}", table.0.get(order).map_or(f64::NAN, |t| t.1));
        }
        println!();
    }
    Ok(())
}

fn stages(scenario: &Scenario) -> Outcome<Times> {
    let folder = tempfile::tempdir()?;
    let simulated = simulate(scenario, 1)?;
    for frame in &simulated.frames {
        let place = folder.path().join(&frame.description.id);
        let colour = frame.colour.as_ref();
        write_scan(&place, &frame.description, &frame.height, colour, None)?;
    }
    let archive = read_archive(&[folder.path().to_path_buf()])?;
    let recording = &archive.recordings[0];
    let scan = &recording.frames[0];
    let product = scenario.product();
    let mut least: Option<Times> = None;
    for _ in 0..REPEATS {
        let mut times = Times::default();
        one_by_one(scan, &product, &mut times)?;
        let plan = Plan {
            product: &product,
            calibration: None,
            keep_views: false,
        };
        let (measured, _) = times.run(90, "all stages by the pipeline", || {
            measure_recording(recording, &plan, &mut |_, _| Ok(()))
        })?;
        let records = measured.pieces.into_iter().map(|piece| piece.record);
        let provenance = Provenance {
            version: String::new(),
            command: Vec::new(),
            settings: Vec::new(),
            recordings: Vec::new(),
        };
        let table = PieceTable::new(records.collect(), Vec::new(), provenance);
        times.run(91, "table as JSON", || write_json(&table, &mut Vec::new()))?;
        for (order, entry) in &mut times.0 {
            entry.1 *= 1e9 / (scan.rows * scan.columns) as f64;
            if let Some(before) = least.as_ref().and_then(|least| least.0.get(order)) {
                entry.1 = entry.1.min(before.1);
            }
        }
        least = Some(times);
    }
    Ok(least.unwrap_or_default())
}

/// The stages as the pipeline chains them, each timed.
fn one_by_one(scan: &Scan, product: &Product, times: &mut Times) -> Outcome<()> {
    let height = &scan.description.height;
    let mut reader = HeightReader::open(scan)?;
    let counts = times.run(0, "decode height", || reader.read(scan.rows))?;
    let counts = counts.ok_or("no rows")?.counts;
    let mut reader = ColourReader::open(scan)?;
    let rows = scan.colour_size.map_or(0, |size| size.rows);
    let rgb = times.run(1, "decode colour", || reader.read(rows))?;
    let rgb = rgb.ok_or("no rows")?;

    let layout = FrameLayout {
        columns: scan.columns,
        rows: 0..scan.rows as u64,
        pitch_across_mm: height.pitch_across_mm,
        pitch_along_mm: height.pitch_along_mm,
        kind: height.kind,
        scale: height.scale,
        offset: height.offset,
        invalid: height.invalid,
        own_y: false,
        y_end_mm: None,
    };
    let mut stream = SurfaceStream::new(layout, None)?;
    let grid = stream.grid();
    times.run(2, "rectify, sample the belt", || stream.push(&counts, None));
    times.run(3, "belt", || stream.finish());
    let mut bands = Vec::new();
    times.run(4, "take the belt off", || {
        while let Some(band) = stream.next_band() {
            bands.push(band);
        }
    });
    let rules = FindRules {
        min_height_mm: product.piece.min_height_mm,
        min_area_mm2: product.piece.min_area_cm2 * 100.0,
    };
    let mut finder = PieceFinder::new(grid, scan.rows, &rules);
    let regions: Vec<_> = times.run(5, "mask, label, windows", || {
        bands
            .into_iter()
            .flat_map(|band| finder.push(band))
            .collect()
    });
    let part = scan.description.colour.as_ref().ok_or("no colour")?;
    let place = HeightPlace {
        columns: scan.columns,
        pitch_across_mm: height.pitch_across_mm,
        pitch_along_mm: height.pitch_along_mm,
        first_profile: 0,
    };
    let columns = scan.colour_size.map_or(0, |size| size.columns);
    let mut field = ColourField::new(part, columns, place, grid, None)?;
    times.run(6, "hold colour", || field.push(0, 0.0, rgb));
    let base = product.classes.iter().position(|c| c.name == product.base);
    let base = base.unwrap_or(0) as u8;
    let limits: Vec<Option<LabLimits>> = product
        .classes
        .iter()
        .map(|class| {
            class.lab.map(|lab| LabLimits {
                l: [lab.l.low, lab.l.high],
                a: [lab.a.low, lab.a.high],
                b: [lab.b.low, lab.b.high],
            })
        })
        .collect();
    let map = ClassMap::new(&limits, base)?;
    let belt = BeltKnowledge {
        plane_u_rel: [0.0; 2],
        two_views: false,
        low_mm: 0.25,
        noise_mm: NOISE_MM,
        belt_u_mm: 0.01,
        scale_u_rel: 0.0,
    };
    let class_rules = ClassRules {
        map: &map,
        base,
        min_speck_mm2: product.piece.min_speck_mm2,
    };
    for mut region in regions {
        let low_mm = rules.low_mm();
        let gaps = times.run(7, "mend", || clean(&mut region, NOISE_MM));
        let parts = times.run(8, "part touching pieces", || {
            let unseen_mm = own_unseen_mm(&region, &gaps, &grid, NOISE_MM, low_mm, &UNKNOWN);
            split(region, &unseen_mm, &grid, rules.min_area_mm2)
        });
        let whole = parts.len() == 1;
        for mut region in parts {
            let mended = &times.run(7, "mend", || {
                let again = if whole { Vec::new() } else { gaps_of(&region) };
                let gaps = if whole { &gaps } else { &again };
                mend(&mut region, gaps, &grid, NOISE_MM, low_mm, &UNKNOWN)
            });
            let footprint = times.run(9, "footprint", || {
                Footprint::new(&region, mended, low_mm, NOISE_MM, &grid)
            });
            times.run(10, "shape, volume, uncertainty", || {
                measure(&region, mended, &footprint, &grid, &belt)
            });
            let first = (region.first_row, region.first_column);
            times.run(11, "classes", || {
                classes(
                    &footprint.covered,
                    &mended.heights_mm,
                    first,
                    &field,
                    &class_rules,
                    &grid,
                )
            })?;
        }
    }
    Ok(())
}

/// Memory traffic of a plain copy.
fn copy_gb_s() -> f64 {
    let bytes = 256_usize << 20;
    let from = vec![1_u8; bytes];
    let mut to = vec![0_u8; bytes];
    let mut best = f64::INFINITY;
    for _ in 0..5 {
        let start = Instant::now();
        to.copy_from_slice(&from);
        std::hint::black_box(&to);
        best = best.min(start.elapsed().as_secs_f64());
    }
    2.0 * bytes as f64 / best / 1e9
}
