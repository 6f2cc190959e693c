//! The table of a printed step wedge, its curve and all that is reckoned from it. The first
//! byte says whether the wedge is an even one.
#![no_main]

use frameside::measured::{EvenWedge, wedge};
use frameside_core::quantity::Dose;
use frameside_core::sensitometry::tone_table;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let Some((&first, table)) = bytes.split_first() else { return };
    let even = (first & 1 == 1).then_some(EvenWedge { first: 0.05, increment: 0.15 });
    let dose = Dose::from_j_m2(30_000.0);
    let (steps, curve) = match wedge(table, even, dose) {
        Ok(read) => read,
        Err(error) => {
            let lines = 1 + table.iter().filter(|&&byte| byte == b'\n').count();
            return assert!((1..=lines).contains(&error.line) && !error.to_string().contains('\n'));
        }
    };
    let mut written = String::from("wedge_density,density\n");
    for step in &steps {
        written += &format!("{},{}\n", step.wedge.value(), step.print.value());
    }
    let (again, same) = wedge(written.as_bytes(), None, dose).expect("what is written is read");
    assert_eq!((&again, same.key()), (&steps, curve.key()));
    let key = curve.key();
    assert!(key.log_range().is_finite() && key.range().value().is_finite());
    let points = curve.points();
    for share in [0.0, 0.3, 0.5, 1.0] {
        let log_h = points[0].log_h + share * (points[points.len() - 1].log_h - points[0].log_h);
        assert!(curve.density_at(log_h).is_none_or(|density| density.value().is_finite()));
        assert!(curve.slope_at(log_h).is_finite());
    }
    for target in [curve.full_dose().dose, key.speed_dose(), dose] {
        assert!(curve.negative_fit(1.4, target).must_span.is_finite());
        for tone in tone_table(&curve, target, 33) {
            assert!(tone.negative.value().is_finite() && tone.print.value().is_finite());
        }
    }
    let _ = (key.iso_range(), curve.turn_over(), curve.darkest());
});
