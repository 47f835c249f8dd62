//! From the shape of a piece to its classes, its mass and its row of the table.

use ndarray::Array2;

use super::budget::{put_extent, put_fat};
use super::result::MeasuredPiece;
use super::shape::{Shape, Site, each_shape};
use crate::colour::{ClassMap, LabLimits, NO_CLASS};
use crate::error::Result;
use crate::measure::{
    ClassRaster, ClassRules, ColourField, ShareBudget, SharedCell, classes, share_budget,
};
use crate::pieces::{FindRules, Region};
use crate::product::{DepthRule, LabBox, Product, Range};
use crate::surface::SurfaceGrid;
use crate::tables::{BudgetPart, ClassShare, Flag, PieceRecord};
use crate::weight::{class_volumes, densities_kg_m3, estimate, fat_class};

/// Share of the footprint above which reconstruction is flagged.
const FILLED_SHARE: f64 = 0.05;
/// Share of zones with belt in view below which a piece's height rests on belt seen far away.
pub const LEAST_BELT_SHARE: f64 = 0.04;

/// A box as the class table takes it.
#[must_use]
pub fn lab_limits(lab: &LabBox) -> LabLimits {
    let ends = |range: Range| [range.low, range.high];
    LabLimits {
        l: ends(lab.l),
        a: ends(lab.a),
        b: ends(lab.b),
    }
}

/// A product profile made ready for measuring.
#[derive(Debug)]
pub struct Method<'a> {
    /// The profile.
    pub product: &'a Product,
    /// How pieces are found.
    pub rules: FindRules,
    /// Whether a limit between its classes was learned.
    pub learned: bool,
    map: ClassMap,
    base: u8,
    /// The class whose share is the fat share.
    pub fat: Option<usize>,
    /// Density of each class, kg/m³.
    pub densities_kg_m3: Vec<f64>,
    depths: Vec<DepthRule>,
}

impl<'a> Method<'a> {
    /// For `product`, measured at `temperature_c` where its classes name none.
    ///
    /// # Errors
    /// A density cannot be worked out, or there are too many classes.
    pub fn new(product: &'a Product, temperature_c: Option<f64>) -> Result<Self> {
        let limits: Vec<Option<LabLimits>> = product
            .classes
            .iter()
            .map(|class| class.lab.as_ref().map(lab_limits))
            .collect();
        let base = product
            .classes
            .iter()
            .position(|class| class.name == product.base);
        let base = u8::try_from(base.unwrap_or(0)).unwrap_or(NO_CLASS);
        Ok(Self {
            map: ClassMap::new(&limits, base)?,
            base,
            fat: fat_class(product),
            densities_kg_m3: densities_kg_m3(product, temperature_c)?,
            depths: product.classes.iter().map(|class| class.depth).collect(),
            rules: FindRules {
                min_height_mm: product.piece.min_height_mm,
                min_area_mm2: product.piece.min_area_cm2 * 100.0,
            },
            product,
            learned: false,
        })
    }
}

/// A measured piece, and its shape where that is kept.
#[derive(Debug)]
pub struct Found {
    /// The piece.
    pub piece: MeasuredPiece,
    /// Its shape.
    pub shape: Option<Box<Shape>>,
}

/// Measures the pieces of a region. Numbers, scan, lane and time are given later.
///
/// # Errors
/// None that input can cause: sizes are those of the region.
pub fn measure_region(region: Region, method: &Method<'_>, site: &Site<'_>) -> Result<Vec<Found>> {
    let mut found = Vec::new();
    let split_touching = method.product.piece.split_touching;
    each_shape(region, &method.rules, split_touching, site, |shape| {
        let raster = raster_of(&shape, method, site.colour, &site.grid)?;
        let (record, fat_budget) = record_of(&shape, raster.as_ref(), method, &site.grid)?;
        let (footprint, class, shared) = match site.keep_rasters {
            true => kept_rasters(&shape, raster),
            false => (Array2::default((0, 0)), Array2::default((0, 0)), Vec::new()),
        };
        let height_mm = match site.keep_rasters {
            true => shape.mended.heights_mm.clone(),
            false => Array2::default((0, 0)),
        };
        let piece = MeasuredPiece {
            record,
            fat_budget,
            first_row: shape.region.first_row,
            first_column: shape.region.first_column,
            footprint,
            height_mm,
            class,
            shared,
        };
        let keep = site.keep_shapes.as_ref();
        let keep = keep.is_some_and(|rows| shape.reaches_into(rows));
        let shape = keep.then(|| Box::new(shape));
        found.push(Found { piece, shape });
        Ok(())
    })?;
    Ok(found)
}

fn kept_rasters(
    shape: &Shape,
    raster: Option<ClassRaster>,
) -> (Array2<u8>, Array2<u8>, Vec<SharedCell>) {
    let states = shape.states();
    match raster {
        Some(raster) => (states, raster.class, raster.shared),
        None => {
            let class = Array2::from_elem(states.dim(), NO_CLASS);
            (states, class, Vec::new())
        }
    }
}

/// The classes on a piece; `None` without colour.
///
/// # Errors
/// None that input can cause.
pub fn raster_of(
    shape: &Shape,
    method: &Method<'_>,
    field: Option<&ColourField>,
    grid: &SurfaceGrid,
) -> Result<Option<ClassRaster>> {
    let Some(field) = field else {
        return Ok(None);
    };
    let rules = ClassRules {
        map: &method.map,
        base: method.base,
        min_speck_mm2: method.product.piece.min_speck_mm2,
    };
    let first = (shape.region.first_row, shape.region.first_column);
    let covered = &shape.footprint.covered;
    let heights_mm = &shape.mended.heights_mm;
    classes(covered, heights_mm, first, field, &rules, grid).map(Some)
}

/// A piece's row of the table and the budget of its fat fraction, from its shape and its classes.
///
/// # Errors
/// None that input can cause.
pub fn record_of(
    shape: &Shape,
    raster: Option<&ClassRaster>,
    method: &Method<'_>,
    grid: &SurfaceGrid,
) -> Result<(PieceRecord, Option<ShareBudget>)> {
    let measures = &shape.measures;
    let mut record = record(shape, raster, method, grid)?;
    let fat_budget = raster.zip(method.fat).zip(record.fat_fraction);
    let fat_budget = fat_budget.map(|((raster, fat), share)| {
        let specks = raster.speck_cells.get(fat).copied().unwrap_or(0) as f64;
        let area_u_mm2 = measures.extent_budget.combined().area_mm2;
        let outline_mm = area_u_mm2 / measures.perimeter_mm.max(f64::MIN_POSITIVE);
        let outline_cells = outline_mm / grid.cell_area_mm2().sqrt();
        share_budget(raster, fat as u8, share, specks, outline_cells)
    });
    put_extent(&mut record, &measures.extent_budget);
    if let (Some(budget), Some(fat)) = (&fat_budget, method.fat) {
        put_fat(&mut record, budget, fat, method);
    }
    Ok((record, fat_budget))
}

fn record(
    shape: &Shape,
    raster: Option<&ClassRaster>,
    method: &Method<'_>,
    grid: &SurfaceGrid,
) -> Result<PieceRecord> {
    let Shape {
        mended, measures, ..
    } = shape;
    let cell_mm2 = grid.cell_area_mm2();
    let volume_cm3 = measures.volume_mm3 / 1000.0;
    let volume_u_cm3 = measures.budget.combined_mm3() / 1000.0;
    let base = usize::from(method.base);
    let mut volumes_cm3 = vec![0.0; method.depths.len()];
    let mut areas_cm2 = vec![0.0; method.depths.len()];
    match raster {
        None => volumes_cm3[base] = volume_cm3,
        Some(raster) => {
            let mut found = class_volumes(
                mended.heights_mm.view(),
                raster.class.view(),
                cell_mm2,
                &method.depths,
                base,
            )?;
            for cell in &raster.shared {
                found.share_cell(
                    f64::from(mended.heights_mm[cell.at]),
                    [cell.own, cell.other].map(usize::from),
                    f64::from(cell.share),
                    cell_mm2,
                    &method.depths,
                    base,
                );
            }
            // The rim's ring has no class of its own: it goes to the classes in proportion.
            let total_cm3 = found.total_cm3();
            let stretch = if total_cm3 > 0.0 {
                volume_cm3 / total_cm3
            } else {
                0.0
            };
            for (out, volume) in volumes_cm3.iter_mut().zip(&found.volume_cm3) {
                *out = volume * stretch;
            }
            areas_cm2.clone_from(&found.area_cm2);
        }
    }
    let fat = method.fat.filter(|_| raster.is_some());
    let weight = estimate(
        &volumes_cm3,
        &method.densities_kg_m3,
        &method.product.weight,
        volume_u_cm3,
        fat,
    )?;
    let area_cm2 = measures.area_mm2 / 100.0;
    let mut record = PieceRecord {
        recording: String::new(),
        scan: String::new(),
        piece: 0,
        lane: None,
        time: None,
        x_mm: measures.x_mm,
        y_mm: measures.y_mm,
        yaw_mrad: measures.yaw_rad * 1e3,
        length_mm: measures.length_mm,
        width_mm: measures.width_mm,
        max_height_mm: measures.max_height_mm,
        mean_height_mm: measures.mean_height_mm,
        area_cm2,
        surface_cm2: measures.surface_mm2 / 100.0,
        perimeter_mm: measures.perimeter_mm,
        volume_cm3,
        volume_u_cm3,
        fat_fraction: fat.map(|fat| areas_cm2[fat] / area_cm2),
        fat_volume_fraction: weight.fat_volume_fraction,
        fat_mass_fraction: weight.fat_mass_fraction,
        mass_g: weight.mass_g,
        mass_u_g: weight.mass_u_g,
        filled_fraction: measures.filled_fraction,
        fat_u_fraction: None,
        area_u_cm2: None,
        length_u_mm: None,
        width_u_mm: None,
        flags: Vec::new(),
        classes: class_shares(method.product, raster.is_some(), &areas_cm2, &volumes_cm3),
        budget: Vec::new(),
    };
    let grams_per_cm3 = if volume_cm3 > 0.0 {
        (weight.mass_g - method.product.weight.offset_g) / volume_cm3
    } else {
        0.0
    };
    let mut budget: Vec<BudgetPart> = measures
        .budget
        .parts()
        .into_iter()
        .map(|(source, part_mm3)| BudgetPart {
            source: source.to_string(),
            volume_u_cm3: part_mm3 / 1000.0,
            mass_u_g: (grams_per_cm3 * part_mm3 / 1000.0).abs(),
            ..BudgetPart::default()
        })
        .collect();
    budget.push(BudgetPart {
        source: "density".to_string(),
        mass_u_g: weight.mass_u_from_density_g,
        ..BudgetPart::default()
    });
    record.budget = budget;
    record.flags = flags(&record, shape, raster, method);
    Ok(record)
}

fn class_shares(
    product: &Product,
    has_colour: bool,
    areas_cm2: &[f64],
    volumes_cm3: &[f64],
) -> Vec<ClassShare> {
    let shares = areas_cm2.iter().zip(volumes_cm3).zip(&product.classes);
    shares
        .map(|((&area_cm2, &volume_cm3), class)| ClassShare {
            class: class.name.clone(),
            area_cm2: has_colour.then_some(area_cm2),
            volume_cm3: has_colour.then_some(volume_cm3),
        })
        .collect()
}

fn flags(
    record: &PieceRecord,
    shape: &Shape,
    raster: Option<&ClassRaster>,
    method: &Method<'_>,
) -> Vec<Flag> {
    let region = &shape.region;
    let product = method.product;
    let outside = |limits: Option<Range>, value: f64| {
        limits.is_some_and(|limits| value < limits.low || limits.high < value)
    };
    let spec = &product.spec;
    let fat_outside = record
        .fat_fraction
        .is_some_and(|fat| outside(spec.fat_fraction, fat));
    [
        (Flag::Edge, region.ends.side),
        (Flag::Cut, region.ends.along),
        (Flag::Touching, region.touching),
        (Flag::Doubtful, region.doubtful),
        (Flag::Filled, record.filled_fraction > FILLED_SHARE),
        (Flag::Clipped, raster.is_some_and(|raster| raster.doubtful)),
        (Flag::Belt, !shape.belt_seen),
        (Flag::Learned, method.learned && raster.is_some()),
        (Flag::SpecMass, outside(spec.mass_g, record.mass_g)),
        (Flag::SpecLength, outside(spec.length_mm, record.length_mm)),
        (Flag::SpecWidth, outside(spec.width_mm, record.width_mm)),
        (
            Flag::SpecHeight,
            outside(spec.max_height_mm, record.max_height_mm),
        ),
        (Flag::SpecFat, fat_outside),
    ]
    .into_iter()
    .filter_map(|(flag, raised)| raised.then_some(flag))
    .collect()
}
