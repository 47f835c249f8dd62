//! Densities against published relations, a handbook's worked example, and measurements.

use weighlight::product::{Composition, DensityRule};
use weighlight::weight::{
    Component, component_density_kg_m3, density_kg_m3, freeze, mixture_density_kg_m3,
    unnormalised_density_kg_m3,
};

/// Rows of a CSV with `#` comments: the first cell, then numbers (NaN for text).
fn rows(text: &str) -> Vec<(&str, Vec<f64>)> {
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(|line| {
            let mut cells = line.split(',');
            let name = cells.next().unwrap_or_default();
            let numbers = cells.map(|cell| cell.parse().unwrap_or(f64::NAN));
            (name, numbers.collect())
        })
        .collect()
}

/// Choi and Okos (1986); CoolProp gives the same to 1e-4 kg/m³.
#[test]
fn components_have_their_published_densities() {
    let table = rows(include_str!("published/component_density.csv"));
    assert_eq!(table.len(), 7);
    for (name, densities) in table {
        let component = match name {
            "protein" => Component::Protein,
            "fat" => Component::Fat,
            "carbohydrate" => Component::Carbohydrate,
            "fibre" => Component::Fibre,
            "ash" => Component::Ash,
            "water" => Component::Water,
            "ice" => Component::Ice,
            other => panic!("unknown component {other}"),
        };
        for (temperature_c, published) in [-40.0, 0.0, 4.0, 20.0, 40.0].iter().zip(densities) {
            let ours = component_density_kg_m3(component, *temperature_c).expect("in range");
            assert!(
                (ours - published).abs() < 1e-4,
                "{name} {temperature_c}: {ours}"
            );
        }
    }
}

/// Compositions as printed in the USDA table, g/100 g; carbohydrate there includes fibre.
fn food(numbers: &[f64]) -> Composition {
    Composition {
        water: numbers[0] / 100.0,
        ice: 0.0,
        protein: numbers[1] / 100.0,
        fat: numbers[2] / 100.0,
        carbohydrate: (numbers[4] - numbers[5]) / 100.0,
        fibre: numbers[5] / 100.0,
        ash: numbers[3] / 100.0,
    }
}

/// Sixteen foods, densities computed independently with numpy.
#[test]
fn foods_have_the_density_of_their_composition() {
    let foods = rows(include_str!("published/food_density_choi_okos.csv"));
    assert_eq!(foods.len(), 16);
    for (name, numbers) in foods {
        let composition = food(&numbers);
        for (place, temperature_c) in [0.0, 4.0, 20.0].into_iter().enumerate() {
            let raw = unnormalised_density_kg_m3(&composition, temperature_c);
            let normalised = mixture_density_kg_m3(&composition, temperature_c, 0.0);
            if name == "salmon_atl_wild_15076" {
                // Its fractions sum to 0.972: 2.9 % of the density would be lost without a word.
                let error = normalised.expect_err("a sum off by 0.028").to_string();
                assert!(error.contains("0.9722"), "{error}");
                assert!(raw.is_err());
                continue;
            }
            let (raw, normalised) = (raw.expect(name), normalised.expect(name));
            assert!((raw - numbers[7 + place]).abs() < 1e-3, "{name}: {raw}");
            assert!(
                (normalised - numbers[10 + place]).abs() < 1e-3,
                "{name}: {normalised}"
            );
            let rule = DensityRule::Composition {
                composition,
                temperature_c: None,
                void_fraction: 0.0,
            };
            assert_eq!(
                density_kg_m3(&rule, Some(temperature_c)).expect(name),
                normalised
            );
        }
    }
}

/// ASHRAE Handbook Refrigeration, Thermal Properties of Foods: lean pork shoulder at −40 °C, 996 kg/m³, without normalisation.
#[test]
fn the_handbook_s_frozen_pork_shoulder_comes_out() {
    let fresh = Composition {
        water: 0.7263,
        protein: 0.1955,
        fat: 0.0714,
        ash: 0.0102,
        ..Composition::default()
    };
    let frozen = freeze(&fresh, -2.2, -40.0).expect("a fresh composition");
    assert!((frozen.ice - 0.6125).abs() < 5e-5, "{}", frozen.ice);
    assert!((frozen.water - 0.1138).abs() < 5e-5, "{}", frozen.water);
    let composition = Composition {
        water: frozen.water,
        ice: frozen.ice,
        ..fresh
    };
    let density = unnormalised_density_kg_m3(&composition, -40.0).expect("in range");
    assert!((density - 996.25).abs() < 0.01, "{density}");
    assert_eq!(density.round(), 996.0);
    // Normalised, as the program does: higher by the sum's excess.
    let normalised = mixture_density_kg_m3(&composition, -40.0, 0.0).expect("in range");
    assert!((normalised / density - 1.0034).abs() < 1e-9);
}

#[test]
fn nothing_freezes_above_the_freezing_point_and_only_once() {
    let fresh = Composition {
        water: 0.75,
        protein: 0.25,
        ..Composition::default()
    };
    assert_eq!(freeze(&fresh, -1.0, -1.0).expect("valid").ice, 0.0);
    assert_eq!(freeze(&fresh, -1.0, 4.0).expect("valid").ice, 0.0);
    // 0.4 · 0.25 is bound: 0.65 can freeze, half of it at twice the freezing temperature.
    let half = freeze(&fresh, -1.0, -2.0).expect("valid");
    assert!((half.ice - 0.325).abs() < 1e-12 && (half.water - 0.425).abs() < 1e-12);
    assert!(freeze(&Composition { ice: 0.1, ..fresh }, -1.0, -2.0).is_err());
    assert!(freeze(&fresh, 0.0, -2.0).is_err());
    assert!(freeze(&fresh, -1.0, f64::NAN).is_err());
}

/// Measured: muscle 1.06 g/cm³ (Mendez and Keys 1960). The relations take lean meat at body temperature to within 1.5 % of it.
#[test]
fn lean_meat_is_as_dense_as_muscle_was_measured() {
    let measured = rows(include_str!("published/measured_density.csv"));
    let of = |item: &str| {
        let found = measured.iter().find(|(name, _)| *name == item);
        found.map_or(f64::NAN, |(_, numbers)| numbers[0])
    };
    let foods = rows(include_str!("published/food_density_choi_okos.csv"));
    let at = |name: &str, temperature_c| {
        let found = foods.iter().find(|(food, _)| *food == name);
        let composition = food(&found.unwrap_or_else(|| panic!("no {name}")).1);
        mixture_density_kg_m3(&composition, temperature_c, 0.0).expect(name) / 1000.0
    };
    for lean in ["pork_leg_lean_10010", "chicken_breast_skinless_05062"] {
        let relative = at(lean, 37.0) / of("muscle") - 1.0;
        assert!(relative.abs() < 0.015, "{lean}: {relative}");
    }
    let relative = at("pork_backfat_10004", 37.0) / of("adipose") - 1.0;
    assert!(relative.abs() < 0.015, "backfat: {relative}");
}

/// Kelkar, Boushey and Okos (2015), Table 5: soybean oil 0.925 g/cm³ is fat alone; breads are a fifth of pore-free bread.
#[test]
fn pure_fat_meets_measured_oil_and_bread_needs_its_pores() {
    let measured = rows(include_str!("published/kelkar2015_density.csv"));
    let of = |item: &str| {
        let found = measured.iter().find(|(name, _)| *name == item);
        found.map_or(f64::NAN, |(_, numbers)| numbers[2])
    };
    let fat = component_density_kg_m3(Component::Fat, 20.0).expect("in range") / 1000.0;
    assert!((fat / of("Soybean oil") - 1.0).abs() < 0.01, "{fat}");

    let foods = rows(include_str!("published/food_density_choi_okos.csv"));
    let bread = foods
        .iter()
        .find(|(name, _)| name.starts_with("bread_white"));
    let composition = food(&bread.expect("white bread").1);
    let solid = mixture_density_kg_m3(&composition, 20.0, 0.0).expect("in range") / 1000.0;
    assert!(solid > 5.0 * of("Multigrain bread"), "{solid}");
    let void_fraction = 1.0 - of("Multigrain bread") / solid;
    let loaf = mixture_density_kg_m3(&composition, 20.0, void_fraction).expect("in range");
    assert!((loaf / 1000.0 - of("Multigrain bread")).abs() < 1e-9);
    for void_fraction in [1.0, -0.1, f64::NAN] {
        assert!(mixture_density_kg_m3(&composition, 20.0, void_fraction).is_err());
    }
}

/// The law of propagation against drawn values, as JCGM 101:2008 does it: 200,000 draws give a standard deviation to 0.2 % (k = 1).
#[test]
fn the_mass_s_uncertainty_is_the_spread_of_drawn_masses() {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    use weighlight::product::WeightFit;
    use weighlight::weight::estimate;

    let (volumes_cm3, densities) = ([60.0, 140.0], [921.0, 1060.0]);
    let fit = WeightFit {
        scale: 1.03,
        offset_g: 2.0,
        density_u_rel: 0.008,
    };
    let volume_u_cm3 = 1.5;
    let weighed = |factor_volume: f64, factor_density: f64| {
        let volumes = volumes_cm3.map(|volume| volume * factor_volume);
        let densities = densities.map(|density| density * factor_density);
        estimate(&volumes, &densities, &fit, volume_u_cm3, Some(0)).expect("valid")
    };
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(5);
    let mut draw = || -> f64 { StandardNormal.sample(&mut random) };
    const DRAWS: usize = 200_000;
    let masses: Vec<f64> = (0..DRAWS)
        .map(|_| weighed(1.0 + draw() * volume_u_cm3 / 200.0, 1.0 + draw() * 0.008).mass_g)
        .collect();
    let mean = masses.iter().sum::<f64>() / DRAWS as f64;
    let variance = masses.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / DRAWS as f64;
    let one = weighed(1.0, 1.0);
    assert!((mean - one.mass_g).abs() < 0.03, "{mean} {}", one.mass_g);
    let relative = variance.sqrt() / one.mass_u_g - 1.0;
    assert!(relative.abs() < 0.01, "{relative}");
}
