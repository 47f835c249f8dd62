//! Named scenarios from a small invented plant, the Harbour Lane test kitchen.

use jiff::Timestamp;

use super::kinds::Kind;
use super::layout::Placing;
use super::pattern::Material;
use super::scanner::{BeltModel, ColourModel, ScannerModel};
use crate::calibration::{
    Calibration, Camera, CameraSide, ColourCalibration, GeometricErrors, Laser, Provenance,
    Registration,
};
use crate::product::{
    ClassRule, DensityRule, DepthRule, LabBox, PieceRules, Product, Range, Spec, WeightFit,
};

/// Stations of the flat field across the belt.
const FLAT_FIELD_STATIONS: usize = 65;

/// All that a simulated recording is made from.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// Its name; also the product's.
    pub name: String,
    /// The scanner.
    pub scanner: ScannerModel,
    /// Length of the recording, mm.
    pub length_mm: f64,
    /// Rows of a frame; the last may be shorter.
    pub frame_rows: usize,
    /// Time of the recording's first row.
    pub captured: Timestamp,
    /// Belt speed, mm/s.
    pub belt_speed_mm_s: f64,
    /// Product temperature, °C.
    pub product_temperature_c: f64,
    /// Lanes stated in the scan.
    pub lanes: Option<u32>,
    /// Classes of material; the first is the base.
    pub materials: Vec<Material>,
    /// Colours each material claims in the product profile, in the same order; `None` only for the base.
    pub claims: Vec<Option<LabBox>>,
    /// Kinds of pieces, taken in turn.
    pub kinds: Vec<Kind>,
    /// How they lie.
    pub placing: Placing,
}

/// Names of the scenarios that come with the program.
pub const SCENARIOS: [&str; 6] = [
    "belly-strips",
    "fillets",
    "lobes",
    "solids",
    "rolls",
    "crowd",
];

impl Scenario {
    /// The scenario of this name, `None` if there is none.
    pub fn named(name: &str) -> Option<Self> {
        match name {
            "belly-strips" => Some(belly_strips()),
            "fillets" => Some(fillets()),
            "lobes" => Some(lobes()),
            "solids" => Some(solids()),
            "rolls" => Some(rolls()),
            "crowd" => Some(crowd()),
            _ => None,
        }
    }

    /// Number of rows of the whole recording.
    pub fn rows(&self) -> usize {
        (self.length_mm / self.scanner.pitch_along_mm).round() as usize
    }

    /// The product profile that fits this scenario.
    pub fn product(&self) -> Product {
        let rule = |(material, claim): (&Material, &Option<LabBox>)| ClassRule {
            name: material.name.clone(),
            lab: *claim,
            density: DensityRule::Given {
                kg_m3: material.density_kg_m3,
            },
            depth: material.depth,
        };
        // What lies on top is looked for first, the base last.
        let classes = self
            .materials
            .iter()
            .zip(&self.claims)
            .rev()
            .map(rule)
            .collect();
        Product {
            name: self.name.clone(),
            base: self
                .materials
                .first()
                .map_or_else(String::new, |m| m.name.clone()),
            piece: PieceRules {
                min_height_mm: 1.0,
                min_area_cm2: 4.0,
                split_touching: true,
                // Above the size of highlights, below that of the patterns' true patches.
                min_speck_mm2: 2.0,
            },
            classes,
            weight: WeightFit {
                scale: 1.0,
                offset_g: 0.0,
                density_u_rel: 0.005,
            },
            spec: Spec::default(),
            learn: None,
            fit: None,
        }
    }

    /// The calibration that undoes what this scenario's scanner does, as if it had been found exactly.
    pub fn calibration(&self) -> Calibration {
        Calibration {
            scanner: self.scanner.name.clone(),
            valid_from: Timestamp::constant(1_767_225_600, 0),
            errors: self.scanner.errors,
            errors_u: GeometricErrors::ZERO,
            colour: self.scanner.colour.as_ref().map(colour_calibration),
            registration: self
                .scanner
                .colour
                .as_ref()
                .map_or_else(Registration::default, |c| c.registration),
            camera: self.scanner.camera,
            colour_camera: self.scanner.colour.as_ref().and_then(|c| c.camera),
            laser: self.scanner.laser_apex_mm.map(|apex_height_mm| Laser {
                apex_height_mm,
                apex_x_mm: 0.5 * self.scanner.frame_width_mm(),
            }),
            triangulation: None,
            tolerances: None,
            provenance: Provenance {
                target: None,
                scans: Vec::new(),
                note: Some("the simulated scanner's own values".into()),
            },
        }
    }
}

fn colour_calibration(colour: &ColourModel) -> ColourCalibration {
    let station = |i: usize| {
        let s = 2.0 * i as f64 / (FLAT_FIELD_STATIONS - 1) as f64 - 1.0;
        1.0 - colour.vignetting * s * s
    };
    let stations: Vec<f64> = (0..FLAT_FIELD_STATIONS).map(station).collect();
    let response = nalgebra::Matrix3::from_fn(|r, c| colour.response[r][c]);
    let identity = nalgebra::Matrix3::identity();
    let inverse = response.try_inverse().unwrap_or(identity);
    ColourCalibration {
        matrix: [0, 1, 2].map(|r| [0, 1, 2].map(|c| inverse[(r, c)])),
        flat_field: [stations.clone(), stations.clone(), stations],
    }
}

/// A clean belt scanner, 600 mm wide; the scenarios say what is different.
fn scanner(name: &str) -> ScannerModel {
    ScannerModel {
        name: name.into(),
        width_mm: 600.0,
        pitch_across_mm: 0.4,
        pitch_along_mm: 0.4,
        scale_mm: 0.01,
        offset_mm: -20.0,
        noise_mm: 0.05,
        correlated_noise_mm: 0.0,
        correlation_mm: 2.0,
        dropout_fraction: 0.01,
        spike_fraction: 0.0,
        spike_height_mm: 60.0,
        mixed_fraction: 0.0,
        camera: Some(Camera {
            side: CameraSide::LowY,
            angle_deg: 25.0,
        }),
        second_view: None,
        laser_apex_mm: None,
        errors: GeometricErrors::NONE,
        belt: BeltModel {
            tilt_across_mrad: 1.5,
            tilt_along_mrad: 0.2,
            bow_mm: 0.15,
            ripple_mm: 0.08,
            ripple_wavelength_mm: 90.0,
            ripple_phase_rad: 0.7,
            ripple_skew_rad: 0.4,
            mesh: None,
            lab: [38.0, -4.0, -32.0],
            texture: 0.05,
        },
        colour: Some(ColourModel {
            pitch_across_mm: 0.4,
            pitch_along_mm: 0.4,
            origin_across_mm: 0.0,
            origin_along_mm: 0.0,
            registration: Registration::default(),
            vignetting: 0.15,
            response: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
            blur_px: 0.6,
            noise_counts: 1.5,
            shading: 0.2,
            gloss_fraction: 0.003,
            camera: None,
        }),
    }
}

fn range(low: f64, high: f64) -> Range {
    Range { low, high }
}

fn lab_box(l: [f64; 2], a: [f64; 2], b: [f64; 2]) -> Option<LabBox> {
    Some(LabBox {
        l: range(l[0], l[1]),
        a: range(a[0], a[1]),
        b: range(b[0], b[1]),
    })
}

/// Lean and fat. Densities: pork lean 1053 and backfat 942 kg/m³ at 4 °C by the relations of Choi and Okos (1986).
fn lean_and_fat(fat_depth: DepthRule) -> (Vec<Material>, Vec<Option<LabBox>>) {
    let materials = vec![
        Material {
            name: "lean".into(),
            lab: [42.0, 30.0, 15.0],
            texture: 0.08,
            glossy: true,
            density_kg_m3: 1053.0,
            depth: DepthRule::Through,
        },
        Material {
            name: "fat".into(),
            lab: [82.0, 4.0, 9.0],
            texture: 0.04,
            glossy: false,
            density_kg_m3: 942.0,
            depth: fat_depth,
        },
    ];
    let claims = vec![
        lab_box([5.0, 62.0], [8.0, 60.0], [-10.0, 50.0]),
        lab_box([62.0, 100.0], [-20.0, 16.0], [-10.0, 40.0]),
    ];
    (materials, claims)
}

fn placing(lanes: u32) -> Placing {
    Placing {
        lanes,
        side_margin_mm: 12.0,
        end_margin_mm: 60.0,
        gap_mm: [12.0, 30.0],
        side_gap_mm: 10.0,
        touching_share: 0.0,
        yaw_spread_rad: std::f64::consts::PI,
        tries: 24,
    }
}

fn scenario(
    name: &str,
    scanner: ScannerModel,
    (materials, claims): (Vec<Material>, Vec<Option<LabBox>>),
    kinds: Vec<Kind>,
    placing: Placing,
) -> Scenario {
    Scenario {
        name: name.into(),
        scanner,
        length_mm: 1000.0,
        frame_rows: 1250,
        captured: Timestamp::constant(1_772_615_553, 0),
        belt_speed_mm_s: 450.0,
        product_temperature_c: 4.0,
        lanes: (placing.lanes > 0).then_some(placing.lanes),
        materials,
        claims,
        kinds,
        placing,
    }
}

/// Strips of belly in four lanes; a scanner with small errors of every kind.
pub(super) fn belly_strips() -> Scenario {
    let model = harbour_1();
    let mut placing = placing(4);
    placing.yaw_spread_rad = 0.25;
    let mut scenario = scenario(
        "belly-strips",
        model,
        lean_and_fat(DepthRule::Through),
        vec![Kind::BellyStrip],
        placing,
    );
    scenario.frame_rows = 1000;
    scenario
}

/// The scanner over the slicing line: small errors of every kind.
pub(super) fn harbour_1() -> ScannerModel {
    let mut model = scanner("harbour-1");
    model.pitch_along_mm = 0.5;
    model.errors = GeometricErrors {
        across_scale: 1.001,
        along_scale: 0.998,
        height_scale: 0.997,
        height_offset_mm: 0.12,
        roll_mrad: 0.6,
        pitch_mrad: -0.1,
        bow_mm: 0.08,
        skew_mrad: 1.5,
        lean_mrad: 2.0,
    };
    if let Some(colour) = &mut model.colour {
        colour.registration = Registration {
            dx_mm: 0.3,
            dy_mm: -0.6,
        };
        colour.response = [[0.93, 0.03, 0.0], [0.02, 0.96, 0.01], [0.0, 0.04, 0.9]];
    }
    model
}

/// Fillets with thin tails in three lanes; skin is a layer of 2 mm.
fn fillets() -> Scenario {
    let materials = vec![
        Material {
            name: "flesh".into(),
            lab: [70.0, 14.0, 22.0],
            texture: 0.05,
            glossy: true,
            density_kg_m3: 1048.0,
            depth: DepthRule::Through,
        },
        Material {
            name: "skin".into(),
            lab: [40.0, -1.0, 4.0],
            texture: 0.12,
            glossy: false,
            density_kg_m3: 1080.0,
            depth: DepthRule::Layer { depth_mm: 2.0 },
        },
    ];
    let claims = vec![
        lab_box([52.0, 100.0], [0.0, 40.0], [0.0, 60.0]),
        lab_box([10.0, 54.0], [-10.0, 9.0], [-6.0, 18.0]),
    ];
    let mut placing = placing(3);
    placing.yaw_spread_rad = 0.4;
    scenario(
        "fillets",
        scanner("harbour-2"),
        (materials, claims),
        vec![Kind::Fillet],
        placing,
    )
}

/// Lobed domed pieces of 50 to 400 cm³, turned any way: the accuracy benchmark.
fn lobes() -> Scenario {
    scenario(
        "lobes",
        scanner("harbour-1"),
        lean_and_fat(DepthRule::Layer { depth_mm: 6.0 }),
        vec![Kind::Lobed],
        placing(0),
    )
}

/// Plain solids with volumes from the textbook, turned any way.
fn solids() -> Scenario {
    let materials = vec![Material {
        name: "curd".into(),
        lab: [84.0, 2.0, 22.0],
        texture: 0.03,
        glossy: false,
        density_kg_m3: 1080.0,
        depth: DepthRule::Through,
    }];
    scenario(
        "solids",
        scanner("harbour-3"),
        (materials, vec![None]),
        vec![Kind::Solid],
        placing(0),
    )
}

/// Baked rolls and loaves. Density: a loaf's 240 kg/m³, as Kelkar, Boushey and Okos (2015) give for multigrain bread.
fn rolls() -> Scenario {
    let material = |name: &str, lab: [f64; 3], depth: DepthRule| Material {
        name: name.into(),
        lab,
        texture: 0.08,
        glossy: false,
        density_kg_m3: 240.0,
        depth,
    };
    let materials = vec![
        material("crust", [56.0, 19.0, 40.0], DepthRule::Through),
        material(
            "score",
            [82.0, 4.0, 24.0],
            DepthRule::Layer { depth_mm: 4.0 },
        ),
    ];
    let claims = vec![None, lab_box([70.0, 100.0], [-5.0, 14.0], [5.0, 45.0])];
    let mut model = scanner("harbour-oven");
    model.width_mm = 720.0;
    model.belt.lab = [30.0, 0.0, 1.0];
    scenario(
        "rolls",
        model,
        (materials, claims),
        vec![Kind::Roll, Kind::Roll, Kind::Loaf, Kind::Roll],
        placing(0),
    )
}

/// Lobed pieces and slabs as close as they go, every fourth laid against a neighbour.
fn crowd() -> Scenario {
    let mut placing = placing(0);
    placing.side_margin_mm = 3.0;
    placing.end_margin_mm = 20.0;
    placing.gap_mm = [1.5, 3.0];
    placing.side_gap_mm = 1.5;
    placing.touching_share = 0.25;
    placing.tries = 160;
    scenario(
        "crowd",
        scanner("harbour-1"),
        lean_and_fat(DepthRule::Layer { depth_mm: 6.0 }),
        vec![Kind::Lobed, Kind::Slab, Kind::Lobed],
        placing,
    )
}
