//! A scan that is kept and measured again by another profile gives what measuring its recording by that profile gives.

use std::path::Path;

use proptest::prelude::*;
use weighlight::pipeline::{KeptScan, Plan, keep_scan, measure_recording};
use weighlight::product::{
    DensityRule, DepthRule, LabAxis, LearnMethod, LearnRule, Product, Range, find_product,
};
use weighlight::scan::{Recording, read_archive};
use weighlight::tables::PieceRecord;

fn sample(name: &str) -> (Recording, Product) {
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-scans");
    let archive = read_archive(&[samples.join(name)]).unwrap();
    let product = find_product(&samples.join("products"), name).unwrap();
    (archive.recordings.into_iter().next().unwrap(), product)
}

fn plan(product: &Product) -> Plan<'_> {
    Plan {
        product,
        calibration: None,
        keep_views: false,
    }
}

fn measured(recording: &Recording, product: &Product) -> Vec<PieceRecord> {
    let (measured, broken) =
        measure_recording(recording, &plan(product), &mut |_, _| Ok(())).unwrap();
    assert!(broken.is_empty());
    measured.pieces.into_iter().map(|it| it.record).collect()
}

/// A change of a profile.
type Edit = fn(&mut Product);

/// The rows of the pieces with their middle in the scan, as told by the kept scan and by the whole recording.
fn both(
    kept: &KeptScan,
    recording: &Recording,
    product: &Product,
) -> (Vec<PieceRecord>, Vec<PieceRecord>) {
    let in_scan = |rows: Vec<PieceRecord>| -> Vec<PieceRecord> {
        rows.into_iter()
            .filter(|row| row.scan == kept.scan())
            .collect()
    };
    let classed = kept.classed(product).unwrap();
    let shown = kept.records(product, &classed).unwrap();
    (in_scan(shown), in_scan(measured(recording, product)))
}

#[test]
fn every_frame_of_a_recording_is_kept_with_the_numbers_of_the_whole() {
    let (recording, product) = sample("belly-strips");
    assert!(recording.frames.len() > 1, "pieces are cut by frames");
    let mut pieces = 0;
    for index in 0..recording.frames.len() {
        let kept = keep_scan(&recording, index, &plan(&product)).unwrap();
        let (shown, told) = both(&kept, &recording, &product);
        assert_eq!(shown, told, "frame {index}");
        pieces += shown.len();
    }
    assert_eq!(pieces, measured(&recording, &product).len());
}

#[test]
fn colour_density_fit_spec_and_a_learned_limit_change_as_measuring_does() {
    let (recording, product) = sample("belly-strips");
    let learn = LearnRule {
        between: ["fat".into(), "lean".into()],
        method: LearnMethod::Otsu,
        axis: LabAxis::L,
        range: Range {
            low: 20.0,
            high: 95.0,
        },
        max_move: 20.0,
    };
    let mut learning = product.clone();
    learning.learn = Some(learn);
    let kept = keep_scan(&recording, 1, &plan(&learning)).unwrap();
    let before = both(&kept, &recording, &product).0;
    let edits: [(&str, Edit); 6] = [
        ("limit", |it| {
            it.classes[0].lab.as_mut().unwrap().l.low = 70.0
        }),
        ("density", |it| {
            it.classes[1].density = DensityRule::Given { kg_m3: 900.0 };
        }),
        ("fit", |it| it.weight.offset_g = 12.5),
        ("spec", |it| {
            it.spec.mass_g = Some(Range {
                low: 0.0,
                high: 1.0,
            });
        }),
        ("specks", |it| it.piece.min_speck_mm2 = 60.0),
        ("depth", |it| {
            it.classes[0].depth = DepthRule::Layer { depth_mm: 3.0 };
        }),
    ];
    for (name, edit) in edits {
        for base in [&product, &learning] {
            let mut edited = base.clone();
            edit(&mut edited);
            let (shown, told) = both(&kept, &recording, &edited);
            assert_eq!(shown, told, "{name}, learns: {}", base.learn.is_some());
            assert_ne!(shown, before, "{name} changes something");
        }
    }
    let learned = kept.classed(&learning).unwrap();
    assert!(learned.learned().unwrap().refused.is_none(), "{learned:?}");
}

#[test]
fn profiles_that_find_other_pieces_are_refused() {
    let (recording, product) = sample("rolls");
    let kept = keep_scan(&recording, 0, &plan(&product)).unwrap();
    let mut other = product.clone();
    other.piece.min_height_mm *= 2.0;
    assert!(!kept.holds_for(&other));
    assert!(kept.classed(&other).is_err());
    let classed = kept.classed(&product).unwrap();
    assert!(kept.records(&other, &classed).is_err());
    let mut recoloured = product.clone();
    recoloured.classes[0].lab.as_mut().unwrap().l.low = 1.0;
    assert!(kept.holds_for(&recoloured) && !classed.holds_for(&recoloured));
    assert!(kept.records(&recoloured, &classed).is_err());
}

#[test]
fn planes_and_counts_say_the_same_as_the_table() {
    let (recording, product) = sample("fillets");
    let kept = keep_scan(&recording, 0, &plan(&product)).unwrap();
    let classed = kept.classed(&product).unwrap();
    let plane = kept.class_plane(&classed);
    let (numbers, filled) = kept.piece_planes();
    let rows = kept.records(&product, &classed).unwrap();
    assert!(!rows.is_empty());
    let pitch_mm2 = recording.frames[0].description.height.pitch_across_mm
        * recording.frames[0].description.height.pitch_along_mm;
    for row in &rows {
        let cells = numbers.iter().filter(|it| **it == row.piece).count();
        let area_cm2 = cells as f64 * pitch_mm2 / 100.0;
        assert!((area_cm2 / row.area_cm2 - 1.0).abs() < 1e-6, "{row:?}");
    }
    assert!(filled.iter().any(|it| *it));
    let seen = kept.height_mm().iter().zip(&numbers).zip(&filled);
    let (mut on_piece, mut high) = (0, 0);
    for ((height_mm, number), filled) in seen {
        on_piece += usize::from(*number > 0 && !filled);
        high += usize::from(*number > 0 && !filled && *height_mm > 0.2);
    }
    assert!(high as f64 > 0.98 * on_piece as f64, "{high} of {on_piece}");
    for (class, number) in plane.iter().zip(&numbers) {
        assert_eq!(*class == u8::MAX, *number == 0);
    }
    let counts = kept.lab_counts(&classed);
    for (class, axes) in counts.by_class.iter().enumerate() {
        let cells = plane.iter().filter(|it| usize::from(**it) == class).count();
        for axis in axes {
            let counted: u32 = axis.iter().sum();
            // Cells beside the colour frame have a class, that of the base, and no colour.
            assert!(counted as usize <= cells && cells > 0);
            assert!(
                f64::from(counted) > 0.98 * cells as f64,
                "{counted} of {cells}"
            );
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(8))]
    #[test]
    fn any_box_of_colours_gives_what_measuring_gives(
        low in 0.0_f64..80.0, wide in 0.0_f64..60.0, a in -20.0_f64..20.0, speck in 0.0_f64..30.0, kg_m3 in 50.0_f64..1500.0,
    ) {
        let (recording, product) = sample("rolls");
        let kept = keep_scan(&recording, 0, &plan(&product)).unwrap();
        let mut edited = product;
        let lab = edited.classes[0].lab.as_mut().unwrap();
        lab.l = Range { low, high: low + wide };
        lab.a.low = a;
        lab.a.high = a + 40.0;
        edited.piece.min_speck_mm2 = speck;
        edited.classes[0].density = DensityRule::Given { kg_m3 };
        let (shown, told) = both(&kept, &recording, &edited);
        prop_assert!(!shown.is_empty());
        prop_assert_eq!(shown, told);
    }
}
