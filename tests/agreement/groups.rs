//! Parting pairs.

use weighlight::agreement::statistics::{GroupBy, groups};

use crate::generator::{Day, Fault};

#[test]
fn every_pair_is_in_one_group_and_a_lanes_fault_in_its_own() {
    let pairs = Day::of(&[Fault::Lane(3, 0.02)]).pairs(1);
    for by in [
        GroupBy::Lane,
        GroupBy::Hour,
        GroupBy::Recording,
        GroupBy::Size,
        GroupBy::Product,
    ] {
        let found = groups(&pairs, by, |_| Some("belly-strips".to_owned()));
        assert_eq!(
            found.iter().map(|it| it.pairs).sum::<usize>(),
            pairs.len(),
            "{by:?}"
        );
    }
    let lanes = groups(&pairs, GroupBy::Lane, |_| None);
    let names: Vec<&str> = lanes.iter().map(|it| it.name.as_str()).collect();
    assert_eq!(names, ["lane 1", "lane 2", "lane 3", "lane 4"]);
    for (lane, group) in (1..).zip(&lanes) {
        let bias = group.limits_fraction.unwrap().bias;
        assert_eq!(bias.low > 0.01, lane == 3, "lane {lane}: {bias:?}");
    }
    let hours = groups(&pairs, GroupBy::Hour, |_| None);
    assert_eq!(hours.len(), 8);
    assert_eq!(hours[0].name, "2026-03-04 06:00 UTC");
    let sizes = groups(&pairs, GroupBy::Size, |_| None);
    assert!(
        sizes
            .windows(2)
            .all(|two| two[0].mean_weighed_g < two[1].mean_weighed_g)
    );
    assert!(sizes.iter().all(|it| (150..=180).contains(&it.pairs)));
}

#[test]
fn pairs_without_lane_or_weight_are_told() {
    let mut pairs = Day::of(&[]).pairs(2);
    pairs.truncate(5);
    pairs[0].record.lane = None;
    pairs[1].weighed_g = f64::NAN;
    let found = groups(&pairs, GroupBy::Lane, |_| None);
    assert_eq!(found.iter().map(|it| it.pairs).sum::<usize>(), 4);
    let none = found.iter().find(|it| it.name == "none").unwrap();
    assert_eq!((none.pairs, none.limits_g), (1, None));
    assert!(groups(&[], GroupBy::Size, |_| None).is_empty());
}
