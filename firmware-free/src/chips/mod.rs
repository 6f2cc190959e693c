//! Sensor chips.

/// What is wrong with a sensor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SensorFault {
    /// Placeholder until the drivers land.
    Silent,
}
