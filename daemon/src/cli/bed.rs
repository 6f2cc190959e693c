//! Readings over the bed of a lamp box, asked for place by place on a terminal.

use std::fmt::Write as _;
use std::io::{BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::time::{Duration, Instant};

use frameside_core::light::Calibration;
use frameside_core::quantity::Irradiance;
use frameside_core::source::PlaceReading;

use super::sensor::probe::Probe;
use super::{Context, Failure, sensor};
use crate::config::{Config, Sensor};
use crate::request::Request;
use crate::status::Status;

/// So many places across and up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Grid {
    across: u32,
    up: u32,
}

/// A bed, in metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Size {
    width: f64,
    height: f64,
}

/// Two numbers with an x between them.
fn pair<T: FromStr>(text: &str) -> Option<(T, T)> {
    let (a, b) = text.split_once('x')?;
    Some((a.trim().parse().ok()?, b.trim().parse().ok()?))
}

impl FromStr for Grid {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        pair(text)
            .filter(|&(across, up)| (2..=20).contains(&across) && (2..=20).contains(&up))
            .map(|(across, up)| Self { across, up })
            .ok_or_else(|| "places across and up, such as 5x3; 2 to 20 each".to_owned())
    }
}

impl FromStr for Size {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let in_bounds = |cm: f64| (1.0..=1000.0).contains(&cm);
        text.strip_suffix("cm")
            .and_then(pair)
            .filter(|&(width, height)| in_bounds(width) && in_bounds(height))
            .map(|(width, height)| Self { width: width / 100.0, height: height / 100.0 })
            .ok_or_else(|| "width and height from the first place to the last, such as 40x30cm".to_owned())
    }
}

/// Means of so many readings.
const READINGS: usize = 3;
/// How often a running daemon is asked for its next reading.
const ASK_EVERY: Duration = Duration::from_millis(50);
/// A reading that does not come in this time, or in five periods, does not come.
const PATIENCE: Duration = Duration::from_secs(10);

/// Where readings come from.
enum Eye<'a> {
    /// The running daemon, which has the sensor; its clock may run faster than life.
    Daemon { context: &'a Context, sensor: &'a Sensor, speed: f64 },
    /// The sensor itself.
    Sensor(Box<Probe>, Calibration),
}

impl<'a> Eye<'a> {
    fn open(context: &'a Context, config: &Config, sensor: &'a Sensor) -> Result<Self, Failure> {
        if context.ask(&Request::Status).is_ok() {
            return Ok(Self::Daemon { context, sensor, speed: config.speed });
        }
        let correction = context.correction(sensor.name.as_str())?.map(|row| row.calibration);
        let probe = Probe::open(config, sensor, None, sensor.period)?;
        Ok(Self::Sensor(Box::new(probe), correction.unwrap_or_default()))
    }

    /// The mean of readings that begin from now on.
    fn look(&mut self) -> Result<Irradiance, Failure> {
        let mut sum = 0.0;
        match self {
            Self::Daemon { context, sensor, speed } => {
                let mut since = Instant::now();
                for _ in 0..READINGS {
                    let (light, taken) = next_of_daemon(context, sensor, *speed, since)?;
                    sum += light;
                    since = taken;
                }
            }
            Self::Sensor(probe, correction) => {
                // The first one may have begun before.
                probe.next()?;
                for reading in probe.readings(READINGS)? {
                    sum += correction.apply(reading).seen.lowest().w_m2();
                }
            }
        }
        Ok(Irradiance::from_w_m2(sum / READINGS as f64))
    }
}

/// The daemon's first reading after an instant, in W/m², and when it was taken.
fn next_of_daemon(
    context: &Context,
    sensor: &Sensor,
    speed: f64,
    since: Instant,
) -> Result<(f64, Instant), Failure> {
    let patience = Instant::now() + PATIENCE.max(sensor.period.div_f64(speed) * 5);
    loop {
        let status: Status = serde_json::from_value(context.ask(&Request::Status)?).map_err(|error| {
            Failure::Failed(format!("the daemon is of another version ({error}); restart it"))
        })?;
        let now = Instant::now();
        let seen = status.sensors.into_iter().find(|seen| seen.name == sensor.name.as_str());
        let problem = seen.as_ref().and_then(|seen| seen.problem.clone());
        if let Some((light, age)) = seen.and_then(|seen| seen.irradiance_w_m2.zip(seen.age_s)) {
            let taken = now.checked_sub(Duration::from_secs_f64(age.max(0.0) / speed)).unwrap_or(since);
            // The same reading again seems a little older or younger.
            if taken > since + ASK_EVERY / 2 {
                return Ok((light, taken));
            }
        }
        if now > patience {
            let why = problem.unwrap_or_else(|| "no reading comes".to_owned());
            return Err(Failure::Failed(format!("sensor {}: {why}", sensor.name)));
        }
        std::thread::sleep(ASK_EVERY);
    }
}

/// Asks for the sensor at each place, row by row from the lower left corner. Whoever ends it
/// before the last place is still asked where to keep what was read.
pub(super) fn readings(
    grid: Grid,
    size: Option<Size>,
    name: Option<&str>,
    save: Option<&Path>,
    context: &Context,
) -> Result<(Vec<PlaceReading>, Option<PathBuf>), Failure> {
    if !std::io::stdin().is_terminal() {
        return Err(Failure::Usage(
            "place by place it asks on a terminal, and this is none; name a FILE with the columns \
             x_cm,y_cm,irradiance_w_m2 instead"
                .to_owned(),
        ));
    }
    // Before an hour's work.
    if let Some(there) = save.filter(|file| file.exists()) {
        return Err(Failure::Usage(format!("{} is there already; name a new file", there.display())));
    }
    let size = size.ok_or_else(|| {
        Failure::Usage("say how large the bed is, corner to corner of the places: --size 40x30cm".to_owned())
    })?;
    let config = context.config()?;
    let sensor = sensor::chosen(&config, name)?;
    let mut eye = Eye::open(context, &config, sensor)?;
    say(&format!(
        "The lamp on and warm; the sensor at the height of the print, level, its lead out of the light. \
         UV-blocking glasses on.\n{} places, {} across and {} up. Enter reads; b goes back one, q ends.\n",
        grid.places(),
        grid.across,
        grid.up
    ));
    let mut read: Vec<PlaceReading> = Vec::new();
    while let Some((x, y)) = grid.place(size, read.len()) {
        say(&format!(
            "{} of {}: {:.1} cm from the left, {:.1} cm from below ",
            read.len() + 1,
            grid.places(),
            100.0 * x,
            100.0 * y
        ));
        match answer()?.as_deref() {
            Some("") => match eye.look() {
                Ok(irradiance) => {
                    say(&format!("    {irradiance}\n"));
                    read.push(PlaceReading { x, y, irradiance });
                }
                Err(failure) => say(&format!("    {}; try again\n", failure.text())),
            },
            Some("b") => drop(read.pop()),
            Some("q") | None => return Err(ended_early(&read, save)?),
            Some(_) => say("    Enter, b or q\n"),
        }
    }
    // Before anything can go wrong with them.
    let kept = keep(&read, save)?;
    Ok((read, kept))
}

/// What is said when somebody ends it before the last place.
fn ended_early(read: &[PlaceReading], save: Option<&Path>) -> Result<Failure, Failure> {
    let kept = if read.is_empty() { None } else { keep(read, save)? };
    Ok(Failure::Failed(kept.map_or_else(
        || "ended before the last place; nothing is kept".to_owned(),
        |file| format!("ended before the last place; what was read is in {}", file.display()),
    )))
}

impl Grid {
    /// Whether its places reach inside, and not only along the rim.
    fn has_middle(self) -> bool {
        self.across > 2 && self.up > 2
    }

    fn places(self) -> u32 {
        self.across * self.up + u32::from(!self.has_middle())
    }

    /// The place of a number: row by row from the lower left corner, there and back, and the
    /// middle last where no other lies there.
    fn place(self, size: Size, number: usize) -> Option<(f64, f64)> {
        let number = u32::try_from(number).ok()?;
        if number == self.across * self.up && !self.has_middle() {
            return Some((0.5 * size.width, 0.5 * size.height));
        }
        let (row, column) = (number / self.across, number % self.across);
        let column = if row % 2 == 0 { column } else { self.across - 1 - column };
        let share = |at: u32, of: u32| f64::from(at) / f64::from(of - 1);
        (row < self.up).then(|| (share(column, self.across) * size.width, share(row, self.up) * size.height))
    }
}

/// Asks where to keep the readings, if that was not said or is no place for them, and keeps them.
fn keep(places: &[PlaceReading], named: Option<&Path>) -> Result<Option<PathBuf>, Failure> {
    let mut table = "x_cm,y_cm,irradiance_w_m2\n".to_owned();
    for PlaceReading { x, y, irradiance } in places {
        let _ = writeln!(table, "{:.2},{:.2},{:.4}", 100.0 * x, 100.0 * y, irradiance.w_m2());
    }
    let mut named = named.map(Path::to_owned);
    loop {
        let file = if let Some(named) = named.take() {
            named
        } else {
            say("Keep the readings in a file? Its name, or Enter for no: ");
            match answer()?.filter(|name| !name.is_empty()) {
                Some(name) => PathBuf::from(name),
                None => return Ok(None),
            }
        };
        // What is there may be the work of an hour.
        let kept = std::fs::File::create_new(&file).and_then(|mut new| new.write_all(table.as_bytes()));
        match kept {
            Ok(()) => return Ok(Some(file)),
            Err(error) => say(&format!("    {}: {error}; name another\n", file.display())),
        }
    }
}

/// Prompts go to standard error: standard output has the result alone.
fn say(text: &str) {
    let _ = std::io::stderr().write_all(text.as_bytes());
}

/// A line from the terminal; `None` at its end.
fn answer() -> Result<Option<String>, Failure> {
    let mut line = String::new();
    let read = std::io::stdin().lock().read_line(&mut line);
    let read = read.map_err(|error| Failure::Failed(format!("the terminal: {error}")))?;
    Ok((read > 0).then(|| line.trim().to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_go_there_and_back_from_the_lower_left_corner() {
        let (grid, size) = ("3x2".parse::<Grid>().unwrap(), "40x30cm".parse::<Size>().unwrap());
        let places: Vec<_> = (0..7).map_while(|number| grid.place(size, number)).collect();
        let rim = [(0.0, 0.0), (0.2, 0.0), (0.4, 0.0), (0.4, 0.3), (0.2, 0.3), (0.0, 0.3)];
        assert_eq!(places[..6], rim);
        assert_eq!(places[6..], [(0.2, 0.15)], "no place of three by two lies in the middle");
        let full = "3x3".parse::<Grid>().unwrap();
        assert_eq!((0..20).map_while(|number| full.place(size, number)).count(), 9);
    }

    #[test]
    fn what_is_no_grid_or_no_size_is_refused() {
        for text in ["1x3", "5", "5x", "x", "21x2", "-2x3"] {
            assert!(text.parse::<Grid>().is_err(), "{text}");
        }
        for text in ["40x30", "40cm", "0x30cm", "NaNx30cm", "40x2000cm"] {
            assert!(text.parse::<Size>().is_err(), "{text}");
        }
    }
}
