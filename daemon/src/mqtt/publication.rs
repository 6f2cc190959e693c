//! A message that goes out.

/// What is published, where and how surely.
#[derive(Debug, Clone, PartialEq)]
pub struct Publication {
    /// Where.
    pub topic: Topic,
    /// What.
    pub payload: Vec<u8>,
    /// Whether the broker keeps it for whoever comes later.
    pub retain: bool,
    /// How surely.
    pub delivery: Delivery,
    /// The correlation data of the request that it answers.
    pub correlation: Option<Vec<u8>>,
    /// MQTT 5 user properties.
    pub user_properties: Vec<(String, String)>,
}

/// A topic.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Topic {
    /// One of the rig's own, without its prefix.
    OfRig(String),
    /// A topic in full.
    Full(String),
}

/// How surely a message arrives.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Delivery {
    /// QoS 0.
    AtMostOnce,
    /// QoS 1.
    AtLeastOnce,
    /// QoS 1, and the link tells by this id what became of it.
    Reported(String),
}

impl Publication {
    /// A state: the broker keeps the last one. QoS 1, retained.
    #[must_use]
    pub fn retained(topic: impl Into<String>, payload: impl Into<Vec<u8>>) -> Self {
        Self::new(topic, payload, true, Delivery::AtLeastOnce)
    }

    /// A measurement that the next one replaces. QoS 0, not retained.
    #[must_use]
    pub fn fleeting(topic: impl Into<String>, payload: impl Into<Vec<u8>>) -> Self {
        Self::new(topic, payload, false, Delivery::AtMostOnce)
    }

    /// A signal; the link tells by `id` when the broker has it. QoS 1, never
    /// retained.
    #[must_use]
    pub fn signal(topic: impl Into<String>, payload: impl Into<Vec<u8>>, id: &str) -> Self {
        Self::new(topic, payload, false, Delivery::Reported(id.to_owned()))
    }

    /// What the broker keeps for others, on any topic; empty, it keeps nothing
    /// there. The link tells by `id` when the broker has it. QoS 1, retained.
    #[must_use]
    pub fn announcement(topic: &str, payload: impl Into<Vec<u8>>, id: &str) -> Self {
        let topic_in_full = Topic::Full(topic.to_owned());
        Self { topic: topic_in_full, ..Self::new("", payload, true, Delivery::Reported(id.to_owned())) }
    }

    fn new(topic: impl Into<String>, payload: impl Into<Vec<u8>>, retain: bool, delivery: Delivery) -> Self {
        Self {
            topic: Topic::OfRig(topic.into()),
            payload: payload.into(),
            retain,
            delivery,
            correlation: None,
            user_properties: Vec::new(),
        }
    }
}
