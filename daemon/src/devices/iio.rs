//! A sensor that the kernel drives: text files under `/sys/bus/iio/devices`
//! (Linux Documentation/ABI/testing/sysfs-bus-iio).
//!
//! What the kernel calls a scale is worth something only where its driver says
//! in which unit: as73211 (nW/cm² for the AS7331) and ti-ads1015 (mV). From all
//! others the raw counts are taken, and the user's factor. The kernel's driver
//! chooses range and time; they are set in its files, not here.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use frameside_core::chips::{Bus, Chip, SensorFault, Step};
use frameside_core::light::{Flags, Reading, Seen};
use frameside_core::quantity::{Irradiance, Mono};

use crate::config::{Iio, IioUnit};

/// Where the kernel shows its sensors.
pub const DEVICES: &str = "/sys/bus/iio/devices";
/// W/m² in one nW/cm².
const W_M2_PER_NW_CM2: f64 = 1e-5;
/// Results at the end of a converter: 16 bit without sign, 16 and 12 with it.
const FULL: [f64; 3] = [65_535.0, 32_767.0, 2_047.0];

/// A sensor of the kernel as a chip. It has no use for the bus it is given.
#[derive(Debug)]
pub struct IioChip {
    devices: PathBuf,
    setup: Iio,
    /// The folder of the device, once it was found.
    folder: Option<PathBuf>,
}

impl IioChip {
    /// A sensor whose files are under `devices`, which is [`DEVICES`] but in
    /// tests; it need not be there yet.
    #[must_use]
    pub fn new(devices: &Path, setup: Iio) -> Self {
        Self { devices: devices.to_owned(), setup, folder: None }
    }

    /// The folder of the device with the name, or of that number.
    fn find(&self) -> Result<PathBuf, SensorFault> {
        let fits = |folder: &PathBuf| {
            folder.file_name().is_some_and(|number| number == self.setup.device.as_str())
                || fs::read_to_string(folder.join("name")).is_ok_and(|name| name.trim() == self.setup.device)
        };
        let entries = fs::read_dir(&self.devices).into_iter().flatten().flatten();
        let mut folders: Vec<_> = entries.map(|entry| entry.path()).filter(fits).collect();
        folders.sort();
        folders.into_iter().next().ok_or(SensorFault::NoIioDevice)
    }

    /// The number in `in_<channel>_<what>`.
    fn number(&self, folder: &Path, what: &str) -> Result<f64, SensorFault> {
        let text = fs::read_to_string(folder.join(format!("in_{}_{what}", self.setup.channel)))
            .map_err(|error| fault_of(&error))?;
        // EBADMSG: not a number.
        text.trim().parse().map_err(|_| SensorFault::Iio { errno: 74 })
    }

    fn measure(&mut self, now: Mono) -> Result<Reading, SensorFault> {
        let folder = match self.folder.take() {
            Some(folder) => folder,
            None => self.find()?,
        };
        let raw = self.number(&folder, "raw")?;
        let scale = match self.setup.unit {
            IioUnit::NanowattPerCm2 | IioUnit::Volt(_) => self.number(&folder, "scale")?,
            IioUnit::Count { .. } => 1.0,
        };
        self.folder = Some(folder);
        Ok(reading(now, raw, scale, self.setup.unit))
    }
}

/// A reading of the instant `now`: the kernel does not tell when it measured.
fn reading(now: Mono, raw: f64, scale: f64, unit: IioUnit) -> Reading {
    let full = FULL.contains(&raw);
    let of = |w_m2: f64| {
        let irradiance = Irradiance::from_w_m2(w_m2.max(0.0));
        if full {
            (Seen::AtLeast(irradiance), Flags::SATURATED)
        } else {
            (Seen::Exactly(irradiance), Flags::NONE)
        }
    };
    let (seen, flags) = match unit {
        IioUnit::NanowattPerCm2 => of(raw * scale * W_M2_PER_NW_CM2),
        IioUnit::Volt(photodiode) => photodiode.seen(raw * scale / 1000.0, full),
        IioUnit::Count { w_m2: Some(factor) } => of(raw * factor),
        IioUnit::Count { w_m2: None } => {
            let (seen, flags) = of(raw);
            (seen, flags.with(Flags::UNCALIBRATED))
        }
    };
    // The cast stops at the ends of 32 bits, which no converter reaches.
    let counts = raw as i32;
    Reading { at: now, span: Duration::ZERO, seen, counts, range: 0, flags, temperature_c: None }
}

fn fault_of(error: &io::Error) -> SensorFault {
    SensorFault::Iio { errno: error.raw_os_error().unwrap_or(0) }
}

impl<B: Bus> Chip<B> for IioChip {
    fn step(&mut self, _bus: &mut B, now: Mono) -> Result<Step, SensorFault> {
        self.measure(now).map(Step::Done)
    }

    /// It may come back as another device.
    fn reset(&mut self) {
        self.folder = None;
    }

    /// A call takes as long as the kernel's driver measures; none is waited for.
    fn longest(&self) -> Duration {
        Duration::ZERO
    }

    /// What is known of the chip says so; of the ADS1x1x see its own driver.
    fn flickers(&self) -> bool {
        !matches!(self.setup.unit, IioUnit::Volt(_))
    }
}

#[cfg(test)]
mod tests {
    use frameside_core::chips::emulated::EmulatedBus;
    use frameside_core::chips::{Photodiode, Sampler, SensorEvent};

    use super::*;

    /// A folder like the kernel's with two devices in it.
    fn kernel(files: &[(&str, &str)]) -> tempfile::TempDir {
        let devices = tempfile::tempdir().unwrap();
        for (file, text) in files {
            let file = devices.path().join(file);
            fs::create_dir_all(file.parent().unwrap()).unwrap();
            fs::write(file, format!("{text}\n")).unwrap();
        }
        devices
    }

    fn iio(device: &str, channel: &str, unit: IioUnit) -> Iio {
        Iio { device: device.to_owned(), channel: channel.to_owned(), unit }
    }

    fn read(devices: &tempfile::TempDir, setup: Iio) -> Result<Reading, SensorFault> {
        let mut chip = IioChip::new(devices.path(), setup);
        match chip.step(&mut EmulatedBus::default(), Mono::from_seconds(5.0))? {
            Step::Done(reading) => Ok(reading),
            Step::Wait(_) => panic!("it does not wait"),
        }
    }

    #[test]
    fn the_scale_of_as73211_is_in_nanowatt_per_cm2() {
        // Linux as73211.c: AS7331_SCALE_UVA 340000 nW/cm² over gain and time in 1024 cycles;
        // here gain 16 and 64 ms. DS001047 4-00: 20000 counts are then 66.406 W/m².
        let devices = kernel(&[
            ("iio:device0/name", "other"),
            ("iio:device1/name", "as73211"),
            ("iio:device1/in_intensity_uva_raw", "20000"),
            ("iio:device1/in_intensity_uva_scale", "332.031250000"),
        ]);
        let reading = read(&devices, iio("as73211", "intensity_uva", IioUnit::NanowattPerCm2)).unwrap();
        assert!((reading.seen.lowest().w_m2() - 66.406_25).abs() < 1e-9);
        assert_eq!((reading.counts, reading.flags, reading.at.seconds()), (20_000, Flags::NONE, 5.0));
    }

    #[test]
    fn the_scale_of_ads1015_is_in_millivolt() {
        // SBAS444D: 0x2690 at 125 µV is 1.2340 V; 25.396 W/m² by a 4.3 V/µA GaN breakout.
        let devices = kernel(&[
            ("iio:device0/name", "ads1015"),
            ("iio:device0/in_voltage0_raw", "9872"),
            ("iio:device0/in_voltage0_scale", "0.125000000"),
        ]);
        let volt = |zero_v| IioUnit::Volt(Photodiode { volts_per_w_m2: 0.048_59, zero_v, ceiling_v: None });
        let reading = read(&devices, iio("ads1015", "voltage0", volt(0.0))).unwrap();
        assert!((reading.seen.lowest().w_m2() - 25.396).abs() < 5e-4);
        let reading = read(&devices, iio("iio:device0", "voltage0", volt(1.3))).unwrap();
        assert_eq!((reading.seen, reading.flags), (Seen::Exactly(Irradiance::ZERO), Flags::CLAMPED));
        let at_its_end = Photodiode { volts_per_w_m2: 0.048_59, zero_v: 0.0, ceiling_v: Some(1.2) };
        let reading = read(&devices, iio("ads1015", "voltage0", IioUnit::Volt(at_its_end))).unwrap();
        assert!(reading.seen.is_bound());
    }

    #[test]
    fn no_other_scale_is_trusted() {
        let devices = kernel(&[
            ("iio:device0/name", "veml6070"),
            ("iio:device0/in_intensity_uv_raw", "1000"),
            ("iio:device0/in_intensity_uv_scale", "77"),
        ]);
        let count = |w_m2| read(&devices, iio("veml6070", "intensity_uv", IioUnit::Count { w_m2 })).unwrap();
        let bare = count(None);
        assert_eq!((bare.seen.lowest().w_m2(), bare.flags), (1000.0, Flags::UNCALIBRATED));
        let calibrated = count(Some(0.05));
        assert_eq!((calibrated.seen.lowest().w_m2(), calibrated.flags), (50.0, Flags::NONE));
    }

    #[test]
    fn the_end_of_the_converter_is_a_lower_bound() {
        let devices = kernel(&[("iio:device0/name", "x"), ("iio:device0/in_a_raw", "65535")]);
        let reading = read(&devices, iio("x", "a", IioUnit::Count { w_m2: Some(0.01) })).unwrap();
        assert_eq!(reading.seen, Seen::AtLeast(Irradiance::from_w_m2(655.35)));
        assert_eq!(reading.flags, Flags::SATURATED);
    }

    #[test]
    fn what_is_missing_is_told() {
        let devices = kernel(&[("iio:device0/name", "x"), ("iio:device0/in_b_raw", "much")]);
        let told = |device, channel| {
            read(&devices, iio(device, channel, IioUnit::Count { w_m2: None })).unwrap_err().to_string()
        };
        assert!(told("y", "a").starts_with("the kernel has no IIO device of this name; "));
        assert!(told("x", "a").contains("errno 2"), "{}", told("x", "a"));
        assert!(told("x", "b").contains("errno 74"), "{}", told("x", "b"));
        let nowhere = IioChip::new(Path::new("/nowhere"), iio("x", "a", IioUnit::Count { w_m2: None }));
        assert_eq!(nowhere.find(), Err(SensorFault::NoIioDevice));
    }

    #[test]
    fn a_device_that_goes_and_comes_back_as_another_number_is_found_again() {
        let devices = kernel(&[("iio:device0/name", "x"), ("iio:device0/in_a_raw", "150")]);
        let chip = IioChip::new(devices.path(), iio("x", "a", IioUnit::Count { w_m2: Some(0.1) }));
        let mut sampler = Sampler::new(Box::new(chip), Duration::from_secs(1), Mono::default());
        let mut bus = EmulatedBus::default();
        let mut until = |seconds: f64| {
            let mut events = Vec::new();
            let mut now = Mono::from_seconds(seconds - 4.0);
            while now < Mono::from_seconds(seconds) {
                let (event, next) = sampler.poll(&mut bus, now);
                events.extend(event);
                now = next;
            }
            events
        };
        assert_eq!(until(4.0).len(), 4);
        fs::rename(devices.path().join("iio:device0"), devices.path().join("gone")).unwrap();
        fs::remove_file(devices.path().join("gone/name")).unwrap();
        let gone = [SensorFault::Iio { errno: 2 }, SensorFault::NoIioDevice].map(SensorEvent::Fault);
        assert_eq!(until(8.0), gone);
        fs::rename(devices.path().join("gone"), devices.path().join("iio:device7")).unwrap();
        fs::write(devices.path().join("iio:device7/name"), "x").unwrap();
        let events = until(12.0);
        assert_eq!(events[0], SensorEvent::Recovered);
        assert!(events.len() >= 4, "{events:?}");
    }
}
