//! What goes back to a browser: a text at once, or events for as long as it listens.

use std::convert::Infallible;
use std::pin::Pin;
use std::task::{Context, Poll};

use hyper::body::{Body, Bytes, Frame, SizeHint};
use tokio::sync::mpsc;

/// The body of an answer.
#[derive(Debug)]
pub(super) enum Reply {
    /// All there is; nothing once it was taken.
    Whole(Option<Bytes>),
    /// Events as they come.
    Events(mpsc::Receiver<Bytes>),
}

impl Reply {
    pub(super) fn whole(bytes: impl Into<Bytes>) -> Self {
        Self::Whole(Some(bytes.into()))
    }
}

impl Body for Reply {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Infallible>>> {
        match &mut *self {
            Self::Whole(bytes) => Poll::Ready(bytes.take().map(|bytes| Ok(Frame::data(bytes)))),
            Self::Events(events) => events.poll_recv(context).map(|event| event.map(|e| Ok(Frame::data(e)))),
        }
    }

    fn is_end_stream(&self) -> bool {
        matches!(self, Self::Whole(None))
    }

    fn size_hint(&self) -> SizeHint {
        match self {
            Self::Whole(bytes) => SizeHint::with_exact(bytes.as_ref().map_or(0, |bytes| bytes.len() as u64)),
            Self::Events(_) => SizeHint::default(),
        }
    }
}
