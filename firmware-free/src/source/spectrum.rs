//! A spectrum: of a source, of what a sensor answers to, of what a process does.

/// Values over wavelength, straight between points and zero outside them.
#[derive(Debug, Clone, PartialEq)]
pub struct Spectrum {
    points: Vec<(f64, f64)>,
}

/// What is wrong with a spectrum. Points count from 1.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SpectrumError {
    /// Too few points.
    #[error("a spectrum needs at least two points")]
    TooFew,
    /// Wavelengths that do not rise, or are none.
    #[error("wavelengths must rise, in nm from 100 to 10000; this one is {nm}")]
    Wavelength {
        /// Which point.
        point: usize,
        /// Its wavelength.
        nm: f64,
    },
    /// A value below zero or not finite.
    #[error("a value of a spectrum is zero or above; this one is {value}")]
    Value {
        /// Which point.
        point: usize,
        /// Its value.
        value: f64,
    },
    /// Nothing above zero.
    #[error("the spectrum is zero everywhere; look at its column value")]
    Empty,
}

impl SpectrumError {
    /// The point it is about, counted from 1; `None` for the spectrum as a whole.
    #[must_use]
    pub const fn point(&self) -> Option<usize> {
        match self {
            Self::Wavelength { point, .. } | Self::Value { point, .. } => Some(*point),
            Self::TooFew | Self::Empty => None,
        }
    }
}

impl Spectrum {
    /// Through points of wavelength in nm and value.
    ///
    /// # Errors
    /// [`SpectrumError`] unless there are two points or more, wavelengths rise
    /// from 100 to 10000 nm, and values are zero or above and not all zero.
    pub fn new(points: Vec<(f64, f64)>) -> Result<Self, SpectrumError> {
        let mut before = 0.0;
        for (point, &(nm, value)) in (1..).zip(&points) {
            if !(nm > before && (100.0..=10_000.0).contains(&nm)) {
                return Err(SpectrumError::Wavelength { point, nm });
            }
            if !(value >= 0.0 && value.is_finite()) {
                return Err(SpectrumError::Value { point, value });
            }
            before = nm;
        }
        if points.len() < 2 {
            return Err(SpectrumError::TooFew);
        }
        if points.iter().all(|&(_, value)| value == 0.0) {
            return Err(SpectrumError::Empty);
        }
        Ok(Self { points })
    }

    /// The value at a wavelength in nm.
    #[must_use]
    pub fn at(&self, nm: f64) -> f64 {
        let right = self.points.partition_point(|&(at, _)| at < nm);
        match (right.checked_sub(1).and_then(|left| self.points.get(left)), self.points.get(right)) {
            (Some(&(x0, y0)), Some(&(x1, y1))) => y0 + (y1 - y0) * (nm - x0) / (x1 - x0),
            (None, Some(&(x1, y1))) if x1 == nm => y1,
            _ => 0.0,
        }
    }

    /// The greatest value.
    #[must_use]
    pub fn peak(&self) -> f64 {
        self.points.iter().map(|&(_, value)| value).fold(0.0, f64::max)
    }

    /// The wavelength in nm at which it ends too early to be multiplied with another: above 1 % of
    /// its own peak, where the other is above 1 % of its.
    #[must_use]
    pub(super) fn ends_inside(&self, other: &Self) -> Option<f64> {
        const PRESENT: f64 = 0.01;
        let is_early = |&&(nm, value): &&(f64, f64)| {
            value > PRESENT * self.peak() && other.at(nm) > PRESENT * other.peak()
        };
        let mut ends = [self.points.first(), self.points.last()].into_iter().flatten();
        ends.find(is_early).map(|&(nm, _)| nm)
    }

    /// Its integral between two wavelengths in nm.
    #[must_use]
    pub fn integral(&self, from: f64, to: f64) -> f64 {
        let inside = self.points.iter().map(|&(nm, _)| nm).filter(|nm| (from..to).contains(nm));
        let knots: Vec<f64> = std::iter::once(from).chain(inside).chain([to]).collect();
        knots
            .windows(2)
            .map(|pair| (pair[1] - pair[0]) * f64::midpoint(self.at(pair[0]), self.at(pair[1])))
            .sum()
    }

    /// The integral of the product of this and others, over all wavelengths.
    #[must_use]
    pub fn product(&self, others: &[&Self]) -> f64 {
        self.integral_with(others, |_| 1.0)
    }

    /// The integral of this times a weight, over all wavelengths.
    #[must_use]
    pub fn weighted(&self, weight: impl Fn(f64) -> f64) -> f64 {
        self.integral_with(&[], weight)
    }

    /// By Simpson's rule between the points of all of them: exact for the
    /// product of up to three.
    fn integral_with(&self, others: &[&Self], weight: impl Fn(f64) -> f64) -> f64 {
        let mut knots: Vec<f64> = std::iter::once(self)
            .chain(others.iter().copied())
            .flat_map(|spectrum| spectrum.points.iter().map(|&(nm, _)| nm))
            .collect();
        knots.sort_by(f64::total_cmp);
        knots.dedup();
        let value = |nm: f64| others.iter().fold(self.at(nm) * weight(nm), |value, s| value * s.at(nm));
        knots
            .windows(2)
            .map(|pair| {
                let (from, to) = (pair[0], pair[1]);
                (to - from) / 6.0 * (value(from) + 4.0 * value(f64::midpoint(from, to)) + value(to))
            })
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spectrum(points: &[(f64, f64)]) -> Spectrum {
        Spectrum::new(points.to_vec()).unwrap()
    }

    #[test]
    fn values_lie_on_the_lines_and_are_zero_outside() {
        let s = spectrum(&[(300.0, 0.0), (400.0, 2.0), (500.0, 1.0)]);
        for (nm, value) in
            [(300.0, 0.0), (350.0, 1.0), (400.0, 2.0), (500.0, 1.0), (299.0, 0.0), (500.1, 0.0)]
        {
            assert_eq!(s.at(nm), value, "{nm} nm");
        }
        assert_eq!(s.peak(), 2.0);
        assert_eq!(s.integral(350.0, 450.0), 75.0 + 87.5);
    }

    #[test]
    fn products_are_exact_whatever_the_points() {
        // Between 300 and 400 nm, x from 0 to 1: the integrals of x², x³ times 100.
        let s = spectrum(&[(300.0, 0.0), (400.0, 1.0)]);
        let same = spectrum(&[(300.0, 0.0), (337.0, 0.37), (400.0, 1.0)]);
        assert!((s.product(&[&same]) - 100.0 / 3.0).abs() < 1e-9);
        assert!((s.product(&[&same, &s]) - 25.0).abs() < 1e-9);
    }

    #[test]
    fn what_is_no_spectrum_is_refused() {
        let refused = |points: &[(f64, f64)]| Spectrum::new(points.to_vec()).unwrap_err();
        assert_eq!(refused(&[(300.0, 1.0)]), SpectrumError::TooFew);
        assert_eq!(refused(&[(300.0, 1.0), (300.0, 1.0)]).point(), Some(2));
        assert_eq!(refused(&[(0.3, 1.0), (0.4, 1.0)]).point(), Some(1));
        assert_eq!(refused(&[(300.0, 1.0), (301.0, -1.0)]).point(), Some(2));
        assert_eq!(refused(&[(300.0, 1.0), (301.0, f64::NAN)]).point(), Some(2));
        assert_eq!(refused(&[(300.0, 0.0), (301.0, 0.0)]), SpectrumError::Empty);
    }
}
