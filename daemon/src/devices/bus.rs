//! The I2C bus of the Pi.
//!
//! The only file that knows rppal's I2C types, so that another Linux layer can
//! replace it. rppal's own embedded-hal `transaction` sends a STOP where a
//! repeated start belongs, which resets the register pointer of some chips; here
//! every transfer goes through a call of rppal that does it in one piece.

use std::io;
use std::path::{Path, PathBuf};

use embedded_hal::i2c::{ErrorType, I2c, Operation, SevenBitAddress};
use frameside_core::chips::BusFault;
use rppal::i2c::{Error as RppalError, I2c as Device};

/// A transfer that takes longer is given up.
const TIMEOUT_MS: u32 = 100;
/// That many time-outs in a row, and the device file is opened anew.
const TIME_OUTS_TO_REOPEN: u8 = 2;

/// Where the kernel lists the I2C devices that it knows.
const LISTED: &str = "/sys/bus/i2c/devices";

/// Why a bus cannot be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenBusError {
    /// There is no device file.
    #[error(
        "there is no I2C bus {number}; switch it on (`sudo raspi-config nonint do_i2c 0`) or correct bus in the config"
    )]
    NotThere {
        /// Number of the bus.
        number: u8,
    },
    /// The user may not use it.
    #[error("no permission to use I2C bus {number}; add the user of the daemon to the group i2c")]
    Permission {
        /// Number of the bus.
        number: u8,
    },
    /// Anything else.
    #[error("I2C bus {number} cannot be opened: {fault}")]
    Failed {
        /// Number of the bus.
        number: u8,
        /// What the system said.
        fault: BusFault,
    },
}

/// An I2C bus of Linux, `/dev/i2c-N`.
pub struct LinuxBus {
    number: u8,
    /// Nothing after two time-outs, until the next transfer opens it again.
    device: Option<Device>,
    time_outs: u8,
    /// Addresses that no kernel driver held when they were first used.
    free: Vec<u8>,
    /// Where the kernel lists what it knows of I2C devices.
    listed: PathBuf,
}

impl LinuxBus {
    /// Opens bus `number`; 1 is the one on the header.
    ///
    /// # Errors
    /// [`OpenBusError`] when it is not there, not allowed, or fails.
    pub fn open(number: u8) -> Result<Self, OpenBusError> {
        match open(number) {
            Ok(device) => Ok(Self::around(number, Some(device))),
            Err(RppalError::Io(e)) if e.kind() == io::ErrorKind::NotFound => {
                Err(OpenBusError::NotThere { number })
            }
            Err(RppalError::Io(e)) if e.kind() == io::ErrorKind::PermissionDenied => {
                Err(OpenBusError::Permission { number })
            }
            Err(e) => Err(OpenBusError::Failed { number, fault: fault_of(&e) }),
        }
    }

    fn around(number: u8, device: Option<Device>) -> Self {
        Self { number, device, time_outs: 0, free: Vec::new(), listed: LISTED.into() }
    }

    /// Refuses an address that a kernel driver holds. rppal forces its way past
    /// the driver (its request 0x706 is the kernel's I2C_SLAVE_FORCE), so the
    /// kernel's own refusal never comes.
    fn refuse_claimed(&mut self, address: u8) -> Result<(), BusFault> {
        if self.free.contains(&address) {
            return Ok(());
        }
        if driver_under(&self.listed, self.number, address).is_some() {
            return Err(BusFault::Claimed);
        }
        self.free.push(address);
        Ok(())
    }

    fn transfer(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), RppalError> {
        let device = match &mut self.device {
            Some(device) => device,
            closed => closed.insert(open(self.number)?),
        };
        device.set_slave_address(address.into())?;
        // By path: `device.write_read` would be embedded-hal's, with the STOP.
        match operations {
            [Operation::Write(bytes), Operation::Read(buffer)] => Device::write_read(device, bytes, buffer),
            [Operation::Write(bytes)] => all_of(bytes.len(), Device::write(device, bytes)?),
            [Operation::Read(buffer)] => all_of(buffer.len(), Device::read(device, buffer)?),
            _ => Err(RppalError::FeatureNotSupported),
        }
    }

    /// Counts time-outs in a row and closes the device when they are too many.
    fn remember(&mut self, outcome: Result<(), BusFault>) {
        self.time_outs = if outcome == Err(BusFault::TimedOut) { self.time_outs + 1 } else { 0 };
        if self.time_outs == TIME_OUTS_TO_REOPEN {
            self.device = None;
            self.time_outs = 0;
        }
    }
}

impl ErrorType for LinuxBus {
    type Error = BusFault;
}

impl I2c<SevenBitAddress> for LinuxBus {
    /// Makes a write, a read, or a write and a read with a repeated start in
    /// between; refuses anything else as [`BusFault::Unsupported`].
    fn transaction(&mut self, address: u8, operations: &mut [Operation<'_>]) -> Result<(), BusFault> {
        self.refuse_claimed(address)?;
        let outcome = self.transfer(address, operations).map_err(|e| fault_of(&e));
        self.remember(outcome);
        outcome
    }
}

/// The kernel driver that holds `address` on bus `number`, if one does.
#[must_use]
pub fn kernel_driver(number: u8, address: u8) -> Option<String> {
    driver_under(Path::new(LISTED), number, address)
}

fn driver_under(devices: &Path, number: u8, address: u8) -> Option<String> {
    let driver = devices.join(format!("{number}-{address:04x}/driver")).read_link().ok()?;
    Some(driver.file_name()?.to_string_lossy().into_owned())
}

fn open(number: u8) -> Result<Device, RppalError> {
    let device = Device::with_bus(number)?;
    device.set_timeout(TIMEOUT_MS)?;
    Ok(device)
}

fn all_of(asked: usize, done: usize) -> Result<(), RppalError> {
    if done == asked { Ok(()) } else { Err(io::Error::from(io::ErrorKind::UnexpectedEof).into()) }
}

fn fault_of(error: &RppalError) -> BusFault {
    match error {
        RppalError::Io(e) => e.raw_os_error().map_or(BusFault::Bus, fault_of_errno),
        RppalError::InvalidSlaveAddress(_) | RppalError::FeatureNotSupported => BusFault::Unsupported,
        RppalError::UnknownModel => BusFault::Other(0),
    }
}

/// The kernel's "I2C and SMBus fault codes", with what the controllers of the
/// Pi add: 121 where other controllers say 6.
fn fault_of_errno(errno: i32) -> BusFault {
    match errno {
        6 | 121 => BusFault::NoAcknowledge,
        110 => BusFault::TimedOut,
        11 => BusFault::ArbitrationLost,
        5 => BusFault::Bus,
        16 => BusFault::Claimed,
        other => BusFault::Other(other),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_errno_is_told_apart() {
        // Linux Documentation/i2c/fault-codes.rst; EREMOTEIO (121) is what i2c-bcm2835 returns.
        let cases = [
            (121, BusFault::NoAcknowledge),
            (6, BusFault::NoAcknowledge),
            (110, BusFault::TimedOut),
            (11, BusFault::ArbitrationLost),
            (5, BusFault::Bus),
            (16, BusFault::Claimed),
            (71, BusFault::Other(71)),
        ];
        for (errno, fault) in cases {
            assert_eq!(fault_of(&io::Error::from_raw_os_error(errno).into()), fault);
        }
    }

    #[test]
    fn a_short_transfer_is_no_success() {
        assert_eq!(fault_of(&all_of(2, 1).unwrap_err()), BusFault::Bus);
        assert!(all_of(2, 2).is_ok());
    }

    #[test]
    fn a_bus_that_is_not_there_says_what_to_do() {
        let Err(error) = LinuxBus::open(251) else { panic!("there is an I2C bus 251") };
        assert!(error.to_string().starts_with("there is no I2C bus 251; switch it on"), "{error}");
    }

    #[test]
    fn two_time_outs_in_a_row_close_the_device_for_a_new_start() {
        let mut bus = LinuxBus::around(251, None);
        bus.remember(Err(BusFault::TimedOut));
        bus.remember(Ok(()));
        bus.remember(Err(BusFault::TimedOut));
        assert_eq!(bus.time_outs, 1);
        bus.remember(Err(BusFault::TimedOut));
        assert_eq!(bus.time_outs, 0);
        // Closed, it is opened by the next transfer: here in vain, with ENOENT (2).
        assert_eq!(bus.write(0x48, &[0]), Err(BusFault::Other(2)));
    }

    #[test]
    fn the_kernel_driver_of_an_address_is_found() {
        let sys = tempfile::tempdir().unwrap();
        let device = sys.path().join("1-0074");
        std::fs::create_dir(&device).unwrap();
        assert_eq!(driver_under(sys.path(), 1, 0x74), None);
        std::os::unix::fs::symlink("../../../bus/i2c/drivers/as73211", device.join("driver")).unwrap();
        assert_eq!(driver_under(sys.path(), 1, 0x74).as_deref(), Some("as73211"));
        assert_eq!(driver_under(sys.path(), 1, 0x75), None);

        let mut bus = LinuxBus { listed: sys.path().to_owned(), ..LinuxBus::around(1, None) };
        assert_eq!(bus.refuse_claimed(0x74), Err(BusFault::Claimed));
        assert_eq!(bus.write(0x74, &[0]), Err(BusFault::Claimed), "before the device is touched");
        assert_eq!(bus.refuse_claimed(0x75), Ok(()));
        std::fs::remove_file(device.join("driver")).unwrap();
        assert_eq!(bus.refuse_claimed(0x74), Ok(()), "once the driver is gone");
    }
}
