//! Lines through many points, thinned to what a picture can show.

use super::svg::Point;

/// The lines through `points`: broken where a point is not finite, and thinned
/// to the lowest and the highest point of each column one unit wide, so that no
/// peak and no dip is lost however many points there are.
pub(super) fn trace(points: impl IntoIterator<Item = Point>) -> Vec<Vec<Point>> {
    let mut runs = vec![Vec::new()];
    for (x, y) in points {
        if x.is_finite() && y.is_finite() {
            runs.last_mut().expect("there is always a run").push((x, y));
        } else {
            runs.push(Vec::new());
        }
    }
    runs.iter().filter(|run| !run.is_empty()).map(|run| thin(run)).collect()
}

/// The lowest and the highest point of each column, in their order, and the
/// first and last of all.
fn thin(run: &[Point]) -> Vec<Point> {
    let mut kept = Vec::new();
    for column in run.chunk_by(|a, b| a.0.floor() == b.0.floor()) {
        let by_height = |&(_, a): &(usize, f64), &(_, b): &(usize, f64)| a.total_cmp(&b);
        let heights = || column.iter().map(|point| point.1).enumerate();
        let lowest = heights().min_by(by_height).map_or(0, |(i, _)| i);
        let highest = heights().max_by(by_height).map_or(0, |(i, _)| i);
        kept.push(column[lowest.min(highest)]);
        if lowest != highest {
            kept.push(column[lowest.max(highest)]);
        }
    }
    if let Some(&first) = run.first().filter(|first| kept.first() != Some(first)) {
        kept.insert(0, first);
    }
    kept.extend(run.last().filter(|last| kept.last() != Some(last)));
    kept
}

/// The value of a line at `x`, straight between its points; `None` outside it.
pub(super) fn value_at(points: impl IntoIterator<Item = Point>, x: f64) -> Option<f64> {
    let mut before: Option<Point> = None;
    for (x1, y1) in points.into_iter().filter(|(x, y)| x.is_finite() && y.is_finite()) {
        if x1 >= x {
            return match before {
                Some((x0, y0)) if x1 > x0 => Some(y0 + (y1 - y0) * (x - x0) / (x1 - x0)),
                _ => (x1 == x).then_some(y1),
            };
        }
        before = Some((x1, y1));
    }
    None
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_missing_value_breaks_the_line() {
        let runs = trace([(0.0, 1.0), (5.0, 2.0), (6.0, f64::NAN), (9.0, 3.0)]);
        assert_eq!(runs, [vec![(0.0, 1.0), (5.0, 2.0)], vec![(9.0, 3.0)]]);
        assert!(trace([(0.0, f64::INFINITY)]).is_empty());
    }

    #[test]
    fn values_between_points_lie_on_the_line() {
        let line = [(0.0, 0.0), (10.0, 5.0), (10.0, 7.0), (20.0, 9.0)];
        assert_eq!(value_at(line, 5.0), Some(2.5));
        assert_eq!(value_at(line, 0.0), Some(0.0));
        assert_eq!(value_at(line, 15.0), Some(8.0));
        assert_eq!(value_at(line, 20.1), None);
        assert_eq!(value_at(line, -0.1), None);
    }

    proptest! {
        #[test]
        fn thinning_keeps_peaks_dips_and_ends(heights in prop::collection::vec(-1e3..1e3f64, 1..3000)) {
            let all: Vec<Point> = (0..).map(|i| f64::from(i) / 7.0).zip(heights).collect();
            let kept = trace(all.iter().copied()).concat();
            let columns = (all.len() - 1) / 7 + 1;
            prop_assert!(kept.len() <= 2 * columns + 2);
            prop_assert!(kept.is_sorted_by(|a, b| a.0 < b.0), "in order and without doubles");
            prop_assert_eq!((kept.first(), kept.last()), (all.first(), all.last()));
            for column in 0..columns {
                let ends = |points: &[Point]| {
                    let inside = points.iter().filter(|p| p.0.floor() == column as f64).map(|p| p.1);
                    inside.fold((f64::MAX, f64::MIN), |(low, high), y| (low.min(y), high.max(y)))
                };
                prop_assert_eq!(ends(&kept), ends(&all));
            }
        }
    }
}
