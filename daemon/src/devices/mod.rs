//! The hardware of the rig: the I2C bus, the kernel's own sensors, and pins for buzzer, lights and buttons.

pub mod bus;
pub mod feed;
pub mod iio;
pub(crate) mod panel;
pub mod pins;
pub mod relay;
