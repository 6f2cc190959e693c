//! The hardware of the rig: the I2C bus, and pins for buzzer, lights and buttons.

pub mod bus;
pub mod feed;
pub mod pins;
