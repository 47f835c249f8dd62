//! A reference target as checked values.

/// A flat plate with bodies of known form on its top.
///
/// Frame: plate. x and y run along the plate's sides from one of its corners, seen from above; z is up. The plate lies on the
/// belt: its underside is at 0, its top at `plate.thickness_mm`.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    /// Its name.
    pub name: String,
    /// The plate.
    pub plate: Plate,
    /// Square frustums on its top.
    pub frustums: Vec<Frustum>,
    /// Treads of machined stairs on its top.
    pub steps: Vec<Step>,
    /// Spheres on its top.
    pub spheres: Vec<Sphere>,
    /// Painted squares on its top.
    pub patches: Vec<Patch>,
    /// Standard uncertainty of each certified length, mm; `None`: nothing is certified.
    pub u_mm: Option<f64>,
    /// The certificate's number or name.
    pub certificate: Option<String>,
    /// Temperature the lengths hold for, °C.
    pub temperature_c: Option<f64>,
    /// Linear thermal expansion, 1/K.
    pub expansion_per_k: Option<f64>,
}

/// The plate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plate {
    /// Size along its x, mm.
    pub across_mm: f64,
    /// Size along its y, mm.
    pub along_mm: f64,
    /// Height of its top above the belt, mm.
    pub thickness_mm: f64,
}

/// A square frustum, its edges parallel to the plate's, standing on the plate's top.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frustum {
    /// Centre, mm.
    pub x_mm: f64,
    /// Centre, mm.
    pub y_mm: f64,
    /// Side of its base, mm.
    pub base_mm: f64,
    /// Side of its top, mm; at most the base's.
    pub top_mm: f64,
    /// Height above the plate's top, mm.
    pub height_mm: f64,
}

/// One tread of a machined stair: a block with upright sides, its edges parallel to the plate's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Centre, mm.
    pub x_mm: f64,
    /// Centre, mm.
    pub y_mm: f64,
    /// Size along the plate's x, mm.
    pub across_mm: f64,
    /// Size along the plate's y, mm.
    pub along_mm: f64,
    /// Height above the plate's top, mm.
    pub height_mm: f64,
}

/// A sphere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sphere {
    /// Centre, mm.
    pub x_mm: f64,
    /// Centre, mm.
    pub y_mm: f64,
    /// Radius, mm.
    pub radius_mm: f64,
    /// Height of its centre above the plate's top, mm; negative where it is sunk into the plate.
    pub centre_height_mm: f64,
}

/// A painted square on the plate's top, its edges parallel to the plate's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Patch {
    /// Centre, mm.
    pub x_mm: f64,
    /// Centre, mm.
    pub y_mm: f64,
    /// Side, mm.
    pub size_mm: f64,
    /// Certified colour, CIELAB (D65, 2°).
    pub lab: [f64; 3],
}

impl Target {
    /// Height of the target's surface above the belt at a point of the plate, seen from above; `None` beside the plate.
    ///
    /// Units: mm. Frame: plate.
    #[must_use]
    pub fn height_mm(&self, x_mm: f64, y_mm: f64) -> Option<f64> {
        let plate = &self.plate;
        let on = (0.0..=plate.across_mm).contains(&x_mm) && (0.0..=plate.along_mm).contains(&y_mm);
        if !on {
            return None;
        }
        let frustums = self.frustums.iter().map(|f| f.rise_mm(x_mm, y_mm));
        let steps = self.steps.iter().map(|s| s.rise_mm(x_mm, y_mm));
        let spheres = self.spheres.iter().map(|s| s.rise_mm(x_mm, y_mm));
        let rise_mm = frustums.chain(steps).chain(spheres).fold(0.0, f64::max);
        Some(plate.thickness_mm + rise_mm)
    }

    /// Height of its highest point above the belt, mm.
    #[must_use]
    pub fn top_mm(&self) -> f64 {
        let frustums = self.frustums.iter().map(|f| f.height_mm);
        let steps = self.steps.iter().map(|s| s.height_mm);
        let spheres = self
            .spheres
            .iter()
            .map(|s| s.centre_height_mm + s.radius_mm);
        self.plate.thickness_mm + frustums.chain(steps).chain(spheres).fold(0.0, f64::max)
    }

    /// The target at another temperature: every length grows by `expansion_per_k` for each kelvin above `temperature_c`.
    ///
    /// `None` where the target states no expansion or no temperature.
    #[must_use]
    pub fn at_temperature(&self, temperature_c: f64) -> Option<Self> {
        let factor = 1.0 + self.expansion_per_k? * (temperature_c - self.temperature_c?);
        Some(self.grown(factor))
    }

    /// The target with every length multiplied by `factor`.
    #[must_use]
    pub fn grown(&self, factor: f64) -> Self {
        Self {
            plate: Plate {
                across_mm: self.plate.across_mm * factor,
                along_mm: self.plate.along_mm * factor,
                thickness_mm: self.plate.thickness_mm * factor,
            },
            frustums: self
                .frustums
                .iter()
                .map(|f| Frustum {
                    x_mm: f.x_mm * factor,
                    y_mm: f.y_mm * factor,
                    base_mm: f.base_mm * factor,
                    top_mm: f.top_mm * factor,
                    height_mm: f.height_mm * factor,
                })
                .collect(),
            steps: self
                .steps
                .iter()
                .map(|s| Step {
                    x_mm: s.x_mm * factor,
                    y_mm: s.y_mm * factor,
                    across_mm: s.across_mm * factor,
                    along_mm: s.along_mm * factor,
                    height_mm: s.height_mm * factor,
                })
                .collect(),
            spheres: self
                .spheres
                .iter()
                .map(|s| Sphere {
                    x_mm: s.x_mm * factor,
                    y_mm: s.y_mm * factor,
                    radius_mm: s.radius_mm * factor,
                    centre_height_mm: s.centre_height_mm * factor,
                })
                .collect(),
            patches: self
                .patches
                .iter()
                .map(|p| Patch {
                    x_mm: p.x_mm * factor,
                    y_mm: p.y_mm * factor,
                    size_mm: p.size_mm * factor,
                    lab: p.lab,
                })
                .collect(),
            ..self.clone()
        }
    }
}

impl Frustum {
    /// Height above the plate's top at a point of the plate, mm; 0 beside its base.
    #[must_use]
    pub fn rise_mm(&self, x_mm: f64, y_mm: f64) -> f64 {
        let away_mm = (x_mm - self.x_mm).abs().max((y_mm - self.y_mm).abs());
        let (top, base) = (0.5 * self.top_mm, 0.5 * self.base_mm);
        if away_mm <= top {
            self.height_mm
        } else if away_mm < base {
            self.height_mm * (base - away_mm) / (base - top)
        } else {
            0.0
        }
    }

    /// Volume above the plate's top, mm³: `h/3·(B² + B·T + T²)`.
    #[must_use]
    pub fn volume_mm3(&self) -> f64 {
        let (base, top) = (self.base_mm, self.top_mm);
        self.height_mm / 3.0 * (base * base + base * top + top * top)
    }
}

impl Step {
    /// Height above the plate's top at a point of the plate, mm; 0 beside it.
    #[must_use]
    pub fn rise_mm(&self, x_mm: f64, y_mm: f64) -> f64 {
        let inside = (x_mm - self.x_mm).abs() <= 0.5 * self.across_mm
            && (y_mm - self.y_mm).abs() <= 0.5 * self.along_mm;
        if inside { self.height_mm } else { 0.0 }
    }
}

impl Sphere {
    /// Height above the plate's top at a point of the plate, mm; 0 beside it.
    #[must_use]
    pub fn rise_mm(&self, x_mm: f64, y_mm: f64) -> f64 {
        let (dx, dy) = (x_mm - self.x_mm, y_mm - self.y_mm);
        let inside = self.radius_mm * self.radius_mm - dx * dx - dy * dy;
        if 0.0 <= inside {
            (self.centre_height_mm + inside.sqrt()).max(0.0)
        } else {
            0.0
        }
    }

    /// Radius of what is seen of it from above, mm.
    #[must_use]
    pub fn seen_radius_mm(&self) -> f64 {
        if 0.0 <= self.centre_height_mm {
            self.radius_mm
        } else {
            let inside =
                self.radius_mm * self.radius_mm - self.centre_height_mm * self.centre_height_mm;
            inside.max(0.0).sqrt()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plate() -> Target {
        Target {
            name: "test".to_string(),
            plate: Plate {
                across_mm: 200.0,
                along_mm: 100.0,
                thickness_mm: 12.0,
            },
            frustums: vec![Frustum {
                x_mm: 50.0,
                y_mm: 50.0,
                base_mm: 50.0,
                top_mm: 26.0,
                height_mm: 15.0,
            }],
            steps: vec![],
            spheres: vec![Sphere {
                x_mm: 150.0,
                y_mm: 50.0,
                radius_mm: 20.0,
                centre_height_mm: -12.0,
            }],
            patches: vec![],
            u_mm: None,
            certificate: None,
            temperature_c: Some(20.0),
            expansion_per_k: Some(1e-4),
        }
    }

    #[test]
    fn the_surface_is_what_the_numbers_say() {
        let target = plate();
        assert_eq!(target.height_mm(5.0, 5.0), Some(12.0));
        assert_eq!(target.height_mm(50.0, 50.0), Some(27.0));
        // Half way up the flank: 13 + 6 mm from the centre.
        assert_eq!(target.height_mm(69.0, 50.0), Some(19.5));
        assert_eq!(target.height_mm(150.0, 50.0), Some(20.0));
        // A 12-16-20 triangle: the cap meets the plate 16 mm from its centre.
        assert!((target.spheres[0].seen_radius_mm() - 16.0).abs() < 1e-12);
        assert_eq!(target.height_mm(150.0, 66.5), Some(12.0));
        assert_eq!(target.height_mm(-0.1, 50.0), None);
        assert_eq!(target.top_mm(), 27.0);
    }

    /// The closed form against the height function, summed over cells of 0.1 mm.
    #[test]
    fn the_volume_of_a_frustum_is_that_under_its_surface() {
        let frustum = plate().frustums[0];
        let mut sum = 0.0;
        for i in 0..600 {
            for j in 0..600 {
                let at = |k: i32| 20.0 + (f64::from(k) + 0.5) * 0.1;
                sum += 0.01 * frustum.rise_mm(at(i), at(j));
            }
        }
        assert!((sum / frustum.volume_mm3() - 1.0).abs() < 1e-5, "{sum}");
        // A cube and a pyramid are its limits.
        let cube = Frustum {
            top_mm: 50.0,
            ..frustum
        };
        assert!((cube.volume_mm3() - 50.0 * 50.0 * 15.0).abs() < 1e-9);
        let pyramid = Frustum {
            top_mm: 0.0,
            ..frustum
        };
        assert!((pyramid.volume_mm3() - 50.0 * 50.0 * 15.0 / 3.0).abs() < 1e-9);
    }

    #[test]
    fn warm_targets_are_longer() {
        let warm = plate().at_temperature(30.0).expect("it states both");
        assert!((warm.plate.across_mm - 200.2).abs() < 1e-9);
        assert!((warm.frustums[0].height_mm - 15.015).abs() < 1e-12);
        let silent = Target {
            expansion_per_k: None,
            ..plate()
        };
        assert_eq!(silent.at_temperature(30.0), None);
    }
}
