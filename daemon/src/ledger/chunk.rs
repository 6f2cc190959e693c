//! Light in few bytes.
//!
//! A chunk is three columns: the ticks between samples, the irradiance, and
//! what is to be remarked. Columns are delta-coded zigzag varints in the
//! [`Codec::Open`] chunks that are written as light comes in, and packed by pco
//! in the [`Codec::Packed`] chunk that half an hour of them becomes.

use frameside_core::light::{Flags, Seen};
use frameside_core::quantity::{Irradiance, Mono};

/// A sample as it is kept: its time to 0.1 ms, its irradiance within 1 mW/m².
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// The middle of its integration time.
    pub at: Mono,
    /// What was seen.
    pub seen: Seen,
    /// Remarks on it.
    pub flags: Flags,
}

/// How a chunk is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Codec {
    /// Varints, for a few samples.
    Open,
    /// pco, for many.
    Packed,
}

/// A chunk that cannot be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a piece of recorded light is damaged")]
pub struct Damaged;

/// Nanoseconds of a tick.
const TICK_NS: i64 = 100_000;
/// Steps of irradiance in a W/m².
const STEPS_PER_W_M2: f64 = 1000.0;
/// No chunk holds more; a damaged one cannot ask for more memory.
pub(super) const MOST_SAMPLES: usize = 100_000;

impl Codec {
    /// The number in the ledger.
    #[must_use]
    pub const fn number(self) -> i64 {
        match self {
            Self::Open => 1,
            Self::Packed => 2,
        }
    }

    /// # Errors
    /// [`Damaged`] for a number that is not a codec's.
    pub const fn from_number(number: i64) -> Result<Self, Damaged> {
        match number {
            1 => Ok(Self::Open),
            2 => Ok(Self::Packed),
            _ => Err(Damaged),
        }
    }
}

/// Writes samples in rising order of time.
#[must_use]
pub fn encode(codec: Codec, samples: &[Sample]) -> Vec<u8> {
    let columns = Columns::of(samples);
    match codec {
        Codec::Open => columns.to_varints(),
        Codec::Packed => columns.to_pco(),
    }
}

/// Reads `count` samples, the first of which was at `from`.
///
/// # Errors
/// [`Damaged`] when the bytes are not what [`encode`] writes.
pub fn decode(codec: Codec, count: usize, from: Mono, bytes: &[u8]) -> Result<Vec<Sample>, Damaged> {
    if count > MOST_SAMPLES {
        return Err(Damaged);
    }
    let columns = match codec {
        Codec::Open => Columns::from_varints(count, bytes)?,
        Codec::Packed => Columns::from_pco(count, bytes)?,
    };
    columns.samples(count, from)
}

/// Reads a chunk by the numbers in its row.
pub(super) fn decode_row(codec: i64, count: i64, from: Mono, bytes: &[u8]) -> Result<Vec<Sample>, Damaged> {
    decode(Codec::from_number(codec)?, usize::try_from(count).map_err(|_| Damaged)?, from, bytes)
}

fn ticks(at: Mono) -> i64 {
    at.nanos().div_euclid(TICK_NS)
}

#[derive(Debug, PartialEq)]
struct Columns {
    /// Between samples; the first is zero.
    ticks: Vec<i64>,
    /// In steps.
    light: Vec<i64>,
    /// Flags, with the top bit for a lower bound; run lengths.
    remarks: Vec<(u32, u32)>,
}

/// Beside the sixteen bits of [`Flags`].
const IS_BOUND: u32 = 1 << 16;

impl Columns {
    fn of(samples: &[Sample]) -> Self {
        let mut columns = Self { ticks: Vec::new(), light: Vec::new(), remarks: Vec::new() };
        let mut before = samples.first().map_or(0, |s| ticks(s.at));
        // What rounding left over goes to the next sample: else steady light
        // would be off by the same amount for hours, and the dose with it.
        let mut left_over = 0.0;
        for sample in samples {
            let now = ticks(sample.at);
            columns.ticks.push(now - before);
            before = now;
            let wanted = sample.seen.lowest().w_m2() * STEPS_PER_W_M2 + left_over;
            columns.light.push(wanted.round() as i64);
            left_over = wanted - wanted.round();
            if !left_over.is_finite() {
                left_over = 0.0;
            }
            let remark = u32::from(sample.flags.bits()) | if sample.seen.is_bound() { IS_BOUND } else { 0 };
            match columns.remarks.last_mut() {
                Some((last, run)) if *last == remark => *run += 1,
                _ => columns.remarks.push((remark, 1)),
            }
        }
        columns
    }

    fn samples(self, count: usize, from: Mono) -> Result<Vec<Sample>, Damaged> {
        let remarks =
            self.remarks.iter().flat_map(|&(remark, run)| std::iter::repeat_n(remark, run as usize));
        let mut at = ticks(from);
        let mut samples = Vec::with_capacity(count);
        for ((step, light), remark) in self.ticks.into_iter().zip(self.light).zip(remarks) {
            at = at.checked_add(step).ok_or(Damaged)?;
            let nanos = at.checked_mul(TICK_NS).ok_or(Damaged)?;
            let light = Irradiance::from_w_m2(light as f64 / STEPS_PER_W_M2);
            let seen = if remark & IS_BOUND == 0 { Seen::Exactly(light) } else { Seen::AtLeast(light) };
            let flags = Flags::from_bits((remark & 0xFFFF) as u16);
            samples.push(Sample { at: Mono::from_nanos(nanos), seen, flags });
        }
        if samples.len() == count { Ok(samples) } else { Err(Damaged) }
    }

    fn to_varints(&self) -> Vec<u8> {
        let mut out = Vec::new();
        write_remarks(&mut out, &self.remarks);
        // Times change by a little around the period, light around the last.
        for column in [&self.ticks, &self.light] {
            let mut before = 0i64;
            for &value in column {
                write_varint(&mut out, zigzag(value.wrapping_sub(before)));
                before = value;
            }
        }
        out
    }

    fn from_varints(count: usize, mut bytes: &[u8]) -> Result<Self, Damaged> {
        let bytes = &mut bytes;
        let remarks = read_remarks(bytes, count)?;
        let mut column = || -> Result<Vec<i64>, Damaged> {
            let mut before = 0i64;
            (0..count)
                .map(|_| {
                    before = before.wrapping_add(unzigzag(read_varint(bytes)?));
                    Ok(before)
                })
                .collect()
        };
        Ok(Self { ticks: column()?, light: column()?, remarks })
    }

    fn to_pco(&self) -> Vec<u8> {
        let mut out = Vec::new();
        write_remarks(&mut out, &self.remarks);
        let config = pco::ChunkConfig::default();
        // Times stray around an even grid. How far they are off it takes fewer
        // bits than the steps, each of which strays at both ends.
        let period = self.ticks.get(self.ticks.len() / 2).copied().unwrap_or(0);
        let mut off_grid = 0i64;
        let off_grid: Vec<i64> = self
            .ticks
            .iter()
            .map(|step| {
                off_grid = off_grid.wrapping_add(step.wrapping_sub(period));
                off_grid
            })
            .collect();
        write_varint(&mut out, zigzag(period));
        for column in [&off_grid, &self.light] {
            let packed = pco::standalone::simple_compress(column, &config)
                .expect("pco takes any list of numbers at its default settings");
            write_varint(&mut out, packed.len() as u64);
            out.extend(packed);
        }
        out
    }

    fn from_pco(count: usize, mut bytes: &[u8]) -> Result<Self, Damaged> {
        let bytes = &mut bytes;
        let remarks = read_remarks(bytes, count)?;
        let period = unzigzag(read_varint(bytes)?);
        let mut column = || -> Result<Vec<i64>, Damaged> {
            let length = usize::try_from(read_varint(bytes)?).map_err(|_| Damaged)?;
            let (packed, rest) = bytes.split_at_checked(length).ok_or(Damaged)?;
            *bytes = rest;
            let mut values = vec![0i64; count];
            let progress =
                pco::standalone::simple_decompress_into(packed, &mut values).map_err(|_| Damaged)?;
            if progress.n_processed == count && progress.finished { Ok(values) } else { Err(Damaged) }
        };
        let mut before = 0i64;
        let step = |off_grid: i64| {
            let step = off_grid.wrapping_sub(before).wrapping_add(period);
            before = off_grid;
            step
        };
        Ok(Self { ticks: column()?.into_iter().map(step).collect(), light: column()?, remarks })
    }
}

fn write_remarks(out: &mut Vec<u8>, remarks: &[(u32, u32)]) {
    write_varint(out, remarks.len() as u64);
    for &(remark, run) in remarks {
        write_varint(out, u64::from(remark));
        write_varint(out, u64::from(run));
    }
}

fn read_remarks(bytes: &mut &[u8], count: usize) -> Result<Vec<(u32, u32)>, Damaged> {
    let runs = usize::try_from(read_varint(bytes)?).map_err(|_| Damaged)?;
    if runs > count {
        return Err(Damaged);
    }
    let mut left = count as u64;
    let mut remarks = Vec::with_capacity(runs);
    for _ in 0..runs {
        let remark = u32::try_from(read_varint(bytes)?).map_err(|_| Damaged)?;
        let run = read_varint(bytes)?;
        left = left.checked_sub(run).ok_or(Damaged)?;
        remarks.push((remark, u32::try_from(run).map_err(|_| Damaged)?));
    }
    Ok(remarks)
}

fn zigzag(value: i64) -> u64 {
    ((value << 1) ^ (value >> 63)) as u64
}

fn unzigzag(value: u64) -> i64 {
    (value >> 1) as i64 ^ -((value & 1) as i64)
}

fn write_varint(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

fn read_varint(bytes: &mut &[u8]) -> Result<u64, Damaged> {
    let mut value = 0u64;
    for shift in (0..64).step_by(7) {
        let (&byte, rest) = bytes.split_first().ok_or(Damaged)?;
        *bytes = rest;
        value |= u64::from(byte & 0x7F) << shift;
        if byte < 0x80 {
            return Ok(value);
        }
    }
    Err(Damaged)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// The time a sample is kept with.
    fn kept_time(at: Mono) -> Mono {
        Mono::from_nanos(ticks(at) * TICK_NS)
    }

    fn samples() -> impl Strategy<Value = Vec<Sample>> {
        let one = (1i64..40_000_000_000, 0.0f64..90.0, 0u16..4, any::<bool>());
        (any::<i32>(), prop::collection::vec(one, 0..200)).prop_map(|(start, steps)| {
            let mut at = i64::from(start) * 1_000_000;
            let of = |(step, light, flags, bound): (i64, f64, u16, bool)| {
                at += step;
                let light = Irradiance::from_w_m2((light * 1000.0).round() / 1000.0);
                Sample {
                    at: kept_time(Mono::from_nanos(at)),
                    seen: if bound { Seen::AtLeast(light) } else { Seen::Exactly(light) },
                    flags: Flags::from_bits(flags),
                }
            };
            steps.into_iter().map(of).collect()
        })
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(samples in samples()) {
            let from = samples.first().map_or(Mono::default(), |s| s.at);
            for codec in [Codec::Open, Codec::Packed] {
                let bytes = encode(codec, &samples);
                prop_assert_eq!(&decode(codec, samples.len(), from, &bytes).unwrap(), &samples);
                let short = &bytes[..bytes.len() / 2];
                if !samples.is_empty() {
                    prop_assert!(decode(codec, samples.len(), from, short).is_err());
                }
            }
        }

        #[test]
        fn steady_light_keeps_its_dose(w_m2 in 0.1f64..90.0) {
            let seen = Seen::Exactly(Irradiance::from_w_m2(w_m2));
            let of = |second: i32| Sample { at: Mono::from_seconds(second.into()), seen, flags: Flags::NONE };
            let samples: Vec<Sample> = (0..600).map(of).collect();
            let bytes = encode(Codec::Open, &samples);
            let read = decode(Codec::Open, 600, samples[0].at, &bytes).unwrap();
            let sum: f64 = read.iter().map(|sample| sample.seen.lowest().w_m2()).sum();
            // A step of 1 mW/m² over one second, whatever the length.
            prop_assert!((sum - 600.0 * w_m2).abs() < 0.001, "{}", sum - 600.0 * w_m2);
        }

        #[test]
        fn changed_bytes_never_panic(
            samples in samples(),
            changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..8),
            count in 0usize..400,
        ) {
            for codec in [Codec::Open, Codec::Packed] {
                let mut bytes = encode(codec, &samples);
                for (place, value) in &changes {
                    let place = place.index(bytes.len());
                    bytes[place] = *value;
                }
                for count in [count, samples.len()] {
                    if let Ok(read) = decode(codec, count, Mono::default(), &bytes) {
                        prop_assert_eq!(read.len(), count);
                    }
                }
            }
        }

        #[test]
        fn damaged_bytes_are_refused_without_panic(
            bytes in prop::collection::vec(any::<u8>(), 0..300),
            count in 0usize..2_000_000,
            from in any::<i64>(),
        ) {
            for codec in [Codec::Open, Codec::Packed] {
                let _ = decode(codec, count, Mono::from_nanos(from), &bytes);
            }
        }
    }
}
