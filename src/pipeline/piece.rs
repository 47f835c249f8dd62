//! From a window of the surface to measured pieces.

use ndarray::Array2;

use super::budget::{put_extent, put_fat};
use super::result::MeasuredPiece;
use crate::colour::{ClassMap, LabLimits, NO_CLASS};
use crate::error::Result;
use crate::measure::{
    BeltKnowledge, ClassRaster, ClassRules, ColourField, Footprint, Measures, classes, measure,
    share_budget,
};
use crate::pieces::{
    CellState, FindRules, Gap, Lighting, Mended, Region, clean, gaps_of, mend, own_unseen_mm, split,
};
use crate::product::{DepthRule, Product, Range};
use crate::surface::SurfaceGrid;
use crate::tables::{BudgetPart, ClassShare, Flag, PieceRecord};
use crate::weight::{class_volumes, densities_kg_m3, estimate, fat_class};

/// Share of the footprint above which reconstruction is flagged.
const FILLED_SHARE: f64 = 0.05;
/// Share of zones with belt in view below which a piece's height rests on belt seen far away.
pub const LEAST_BELT_SHARE: f64 = 0.04;

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
    fat: Option<usize>,
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
            .map(|class| {
                class.lab.map(|lab| LabLimits {
                    l: [lab.l.low, lab.l.high],
                    a: [lab.a.low, lab.a.high],
                    b: [lab.b.low, lab.b.high],
                })
            })
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

/// Where the pieces are.
#[derive(Debug, Clone, Copy)]
pub struct Site<'a> {
    /// The surface's grid.
    pub grid: SurfaceGrid,
    /// The colour, if there is any.
    pub colour: Option<&'a ColourField>,
    /// Belt and noise under the region.
    pub belt: BeltKnowledge,
    /// Where light and cameras stand.
    pub light: Lighting,
    /// Whether belt was seen near the region.
    pub belt_seen: bool,
    /// Whether footprints and classes are kept for pictures.
    pub keep_rasters: bool,
}

/// Measures the pieces of a region. Numbers, scan, lane and time are given later.
///
/// # Errors
/// None that input can cause: sizes are those of the region.
pub fn measure_region(
    mut region: Region,
    method: &Method<'_>,
    site: &Site<'_>,
) -> Result<Vec<MeasuredPiece>> {
    let (noise_mm, low_mm) = (site.belt.noise_mm, method.rules.low_mm());
    let gaps = clean(&mut region, noise_mm);
    let mut parts = if method.product.piece.split_touching {
        let unseen_mm = own_unseen_mm(&region, &gaps, &site.grid, noise_mm, low_mm, &site.light);
        split(region, &unseen_mm, &site.grid, method.rules.min_area_mm2)
    } else {
        vec![region]
    };
    let mended = |part: &mut Region, gaps: &[Gap]| {
        mend(part, gaps, &site.grid, noise_mm, low_mm, &site.light)
    };
    let mut pieces = Vec::new();
    if let [whole] = &mut parts[..] {
        let mended = mended(whole, &gaps);
        pieces.extend(measure_piece(whole, &mended, method, site)?);
        return Ok(pieces);
    }
    for mut part in parts {
        // A part's shadow falls on its neighbour: each is mended by itself.
        let gaps = gaps_of(&part);
        let mended = mended(&mut part, &gaps);
        pieces.extend(measure_piece(&part, &mended, method, site)?);
    }
    Ok(pieces)
}

fn measure_piece(
    region: &Region,
    mended: &Mended,
    method: &Method<'_>,
    site: &Site<'_>,
) -> Result<Option<MeasuredPiece>> {
    let footprint = Footprint::new(
        region,
        mended,
        method.rules.low_mm(),
        site.belt.noise_mm,
        &site.grid,
    );
    let Some(measures) = measure(region, mended, &footprint, &site.grid, &site.belt) else {
        return Ok(None);
    };
    if measures.area_mm2 < method.rules.min_area_mm2 {
        return Ok(None);
    }
    let raster = match site.colour {
        None => None,
        Some(field) => {
            let rules = ClassRules {
                map: &method.map,
                base: method.base,
                min_speck_mm2: method.product.piece.min_speck_mm2,
            };
            let first = (region.first_row, region.first_column);
            Some(classes(
                &footprint.covered,
                &mended.heights_mm,
                first,
                field,
                &rules,
                &site.grid,
            )?)
        }
    };
    let mut record = record(
        region,
        mended,
        &measures,
        raster.as_ref(),
        &footprint,
        method,
        site,
    )?;
    let fat_budget = raster.as_ref().zip(method.fat).zip(record.fat_fraction);
    let fat_budget = fat_budget.map(|((raster, fat), share)| {
        let specks = raster.speck_cells.get(fat).copied().unwrap_or(0) as f64;
        let area_u_mm2 = measures.extent_budget.combined().area_mm2;
        let outline_mm = area_u_mm2 / measures.perimeter_mm.max(f64::MIN_POSITIVE);
        let outline_cells = outline_mm / site.grid.cell_area_mm2().sqrt();
        share_budget(raster, fat as u8, share, specks, outline_cells)
    });
    put_extent(&mut record, &measures.extent_budget);
    if let (Some(budget), Some(fat)) = (&fat_budget, method.fat) {
        put_fat(&mut record, budget, fat, method);
    }
    let none = || Array2::from_elem((0, 0), NO_CLASS);
    let (states, class, shared) = if site.keep_rasters {
        let states = Array2::from_shape_fn(footprint.covered.dim(), |at| {
            match (footprint.covered[at], mended.states[at]) {
                (false, _) => 0,
                (true, CellState::Seen) => 1,
                (true, _) => 2,
            }
        });
        let (class, shared) = match raster {
            Some(raster) => (raster.class, raster.shared),
            None => (Array2::from_elem(states.dim(), NO_CLASS), Vec::new()),
        };
        (states, class, shared)
    } else {
        (none(), none(), Vec::new())
    };
    Ok(Some(MeasuredPiece {
        record,
        fat_budget,
        first_row: region.first_row,
        first_column: region.first_column,
        footprint: states,
        class,
        shared,
    }))
}

fn record(
    region: &Region,
    mended: &Mended,
    measures: &Measures,
    raster: Option<&ClassRaster>,
    footprint: &Footprint,
    method: &Method<'_>,
    site: &Site<'_>,
) -> Result<PieceRecord> {
    let cell_mm2 = site.grid.cell_area_mm2();
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
    let area_cm2 = footprint.cells() as f64 * cell_mm2 / 100.0;
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
    record.flags = flags(&record, region, raster, method, site);
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
    region: &Region,
    raster: Option<&ClassRaster>,
    method: &Method<'_>,
    site: &Site<'_>,
) -> Vec<Flag> {
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
        (Flag::Belt, !site.belt_seen),
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
