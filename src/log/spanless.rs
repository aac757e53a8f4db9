//! What the layers of the log stand on. Lampward has no spans, and the registry that keeps them for others takes 33 kB before
//! the first line; so they are refused from whatever library would make one.

use tracing::span::{Attributes, Id, Record};
use tracing::{Event, Metadata, Subscriber};
use tracing_subscriber::registry::{Extensions, ExtensionsMut, LookupSpan, SpanData};

/// Takes events and no spans.
pub struct Spanless;

impl Subscriber for Spanless {
    fn enabled(&self, of: &Metadata<'_>) -> bool {
        of.is_event()
    }

    // Nobody asks for one that is not enabled; if so, there is none behind it.
    fn new_span(&self, _: &Attributes<'_>) -> Id {
        Id::from_u64(1)
    }

    fn record(&self, _: &Id, _: &Record<'_>) {}

    fn record_follows_from(&self, _: &Id, _: &Id) {}

    // The layers above have written it.
    fn event(&self, _: &Event<'_>) {}

    fn enter(&self, _: &Id) {}

    fn exit(&self, _: &Id) {}
}

impl LookupSpan<'_> for Spanless {
    type Data = Never;

    fn span_data(&self, _: &Id) -> Option<Never> {
        None
    }
}

/// The data of a span that there never is.
pub enum Never {}

impl SpanData<'_> for Never {
    fn id(&self) -> Id {
        match *self {}
    }

    fn metadata(&self) -> &'static Metadata<'static> {
        match *self {}
    }

    fn parent(&self) -> Option<&Id> {
        match *self {}
    }

    fn extensions(&self) -> Extensions<'_> {
        match *self {}
    }

    fn extensions_mut(&self) -> ExtensionsMut<'_> {
        match *self {}
    }
}

#[cfg(test)]
mod tests {
    use std::sync::{Arc, Mutex};

    use tracing::{info, info_span};
    use tracing_subscriber::filter::Targets;
    use tracing_subscriber::layer::SubscriberExt;

    use super::*;

    /// Everything that is written, of all threads.
    #[derive(Clone, Default)]
    struct Text(Arc<Mutex<Vec<u8>>>);

    impl std::io::Write for Text {
        fn write(&mut self, text: &[u8]) -> std::io::Result<usize> {
            self.0.lock().expect("no panic").write(text)
        }

        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn lines_are_written_within_a_library_s_span_as_without() {
        let text = Text::default();
        let out = text.clone();
        let lines = tracing_subscriber::fmt::layer()
            .with_writer(move || out.clone())
            .with_ansi(false)
            .without_time()
            .with_target(false);
        let all: Targets = "info".parse().expect("a filter");
        tracing::subscriber::with_default(Spanless.with(all).with(lines), || {
            info!(lamp = "quay", "switched");
            let span = info_span!("a library's", id = 7);
            span.in_scope(|| {
                info!("within");
                info!(parent: &span, "below");
            });
            assert!(span.is_disabled());
        });
        let written = String::from_utf8(text.0.lock().expect("no panic").clone()).expect("text");
        assert_eq!(written, " INFO switched lamp=\"quay\"\n INFO within\n INFO below\n");
    }
}
