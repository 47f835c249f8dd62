//! Cost of classes by colour: building the table, a megapixel of frame, and the clean-up of one piece.

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use ndarray::Array2;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use weighlight::colour::{
    ClassMap, Correction, CorrectionRow, LabLimits, fill_highlights, remove_specks,
};

const COLUMNS: usize = 1000;
const ROWS: usize = 1000;

fn main() {
    divan::main();
}

fn rules() -> Vec<Option<LabLimits>> {
    let limits = |l, a, b| Some(LabLimits { l, a, b });
    vec![
        limits([62.0, 100.0], [-20.0, 16.0], [-10.0, 40.0]),
        limits([10.0, 62.0], [8.0, 60.0], [-10.0, 50.0]),
        None,
    ]
}

fn map() -> ClassMap {
    ClassMap::new(&rules(), 2).expect("the rules of this bench are valid")
}

/// Every byte at random: the worst case for the table and the cache.
fn white_noise() -> Vec<u8> {
    let mut random = ChaCha8Rng::seed_from_u64(1);
    (0..ROWS * COLUMNS * 3).map(|_| random.random()).collect()
}

/// Lean, fat and belt in patches of 20 pixels, each channel with noise of ±6.
fn patches() -> Vec<u8> {
    let mut random = ChaCha8Rng::seed_from_u64(2);
    let colours = [[150, 40, 45], [235, 215, 200], [60, 110, 160]];
    let place = |pixel: usize| (pixel / COLUMNS / 20 + pixel % COLUMNS / 20) % 3;
    (0..ROWS * COLUMNS)
        .flat_map(|pixel| colours[place(pixel)])
        .map(|code: i32| (code + random.random_range(-6..=6)) as u8)
        .collect()
}

fn correction() -> CorrectionRow {
    let matrix = [[1.2, -0.1, -0.1], [-0.05, 1.1, -0.05], [0.0, -0.1, 1.1]];
    let flat = [
        vec![0.8, 1.0, 0.8],
        vec![0.8, 1.0, 0.8],
        vec![0.8, 1.0, 0.8],
    ];
    Correction::new(matrix, flat, 400.0)
        .expect("the correction of this bench is valid")
        .row(COLUMNS, 0.4, 0.0)
}

fn classify(bencher: Bencher, frame: &[u8], correction: Option<&CorrectionRow>) {
    let map = map();
    let mut classes = vec![0; COLUMNS];
    bencher
        .counter(ItemsCount::new(ROWS * COLUMNS))
        .bench_local(|| {
            for row in frame.chunks_exact(COLUMNS * 3) {
                map.classify_row(black_box(row), correction, &mut classes)
                    .expect("rows fit");
                black_box(&classes);
            }
        });
}

#[divan::bench(sample_count = 20)]
fn build_the_table(bencher: Bencher) {
    bencher.bench(map);
}

#[divan::bench(sample_count = 50)]
fn classify_white_noise(bencher: Bencher) {
    classify(bencher, &white_noise(), None);
}

#[divan::bench(sample_count = 50)]
fn classify_patches(bencher: Bencher) {
    classify(bencher, &patches(), None);
}

#[divan::bench(sample_count = 50)]
fn correct_and_classify_white_noise(bencher: Bencher) {
    classify(bencher, &white_noise(), Some(&correction()));
}

#[divan::bench(sample_count = 50)]
fn correct_and_classify_patches(bencher: Bencher) {
    classify(bencher, &patches(), Some(&correction()));
}

/// A piece window of 300 × 200 cells whose classes are noise in one cell of twenty.
fn speckled() -> (Array2<u8>, Array2<bool>) {
    let mut random = ChaCha8Rng::seed_from_u64(3);
    let class = Array2::from_shape_fn((300, 200), |(row, column)| {
        u8::from((row / 30 + column / 40) % 2 == 0) ^ u8::from(random.random_bool(0.05))
    });
    let saturated =
        Array2::from_shape_fn((300, 200), |(row, column)| row % 50 < 4 && column % 50 < 6);
    (class, saturated)
}

#[divan::bench(sample_count = 50)]
fn clean_up_a_piece_of_60_000_cells(bencher: Bencher) {
    bencher
        .counter(ItemsCount::new(300_usize * 200))
        .with_inputs(speckled)
        .bench_local_values(|(mut class, saturated)| {
            let highlights = fill_highlights(&mut class, &saturated, 0.16, 100.0);
            let specks = remove_specks(&mut class, 0.16, 3.0);
            (class, highlights.is_ok(), specks)
        });
}
