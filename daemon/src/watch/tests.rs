use std::collections::BTreeMap;

use frameside_core::exposure::FrameState;
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::buffer::Buffer;
use ratatui::crossterm::event::KeyCode;
use ratatui::style::{Color, Modifier};

use super::*;
use crate::status::SensorStatus;

const SIZES: [(u16, u16); 2] = [(80, 24), (40, 30)];

fn frame(name: &str, state: FrameState) -> FrameStatus {
    FrameStatus {
        frame: name.into(),
        label: None,
        print: Some(format!("2026-07-14-{name}-1")),
        state,
        dose_j_m2: 8123.0,
        low_j_m2: 8123.0,
        high_j_m2: 8123.0,
        lacks: None,
        exponent: None,
        reference_w_m2: None,
        plain_dose_j_m2: None,
        target_j_m2: Some(15_000.0),
        fraction: Some(0.5415),
        due: Some("2026-07-14T10:21:09+02:00".into()),
        due_if_clear: None,
        due_low: Some("2026-07-14T10:20:00+02:00".into()),
        due_high: Some("2026-07-14T10:25:00+02:00".into()),
        too_slow: false,
        remaining_s: Some(166.9),
        lamp: None,
        waiting: false,
        next_band: None,
        next_band_j_m2: None,
    }
}

fn view() -> View {
    let due = FrameStatus { waiting: true, remaining_s: None, ..frame("ash", FrameState::Due) };
    let empty = FrameStatus { print: None, target_j_m2: None, due: None, ..frame("elm", FrameState::Empty) };
    let sky = SensorStatus {
        name: "sky".into(),
        irradiance_w_m2: Some(41.2),
        uv_index: None,
        age_s: Some(0.4),
        flags: Vec::new(),
        problem: None,
    };
    let mut view = View::new(Status {
        rig: "yard".into(),
        lamps: Vec::new(),
        sensors: vec![sky],
        frames: vec![frame("oak", FrameState::Exposing), due, empty],
        troubles: Vec::new(),
    });
    let rising = |end: f64| (0..100).map(|i| (f64::from(i) * 10.0, f64::from(i) * end / 99.0)).collect();
    view.past = Past {
        light: (0..60).map(|i| (f64::from(i - 59) * 60.0, 20.0 + f64::from(i % 7) * 5.0)).collect(),
        curves: BTreeMap::from([
            (
                "2026-07-14-oak-1".into(),
                Curve {
                    started: "10:02".into(),
                    began_ms: 0,
                    state: Some((FrameState::Exposing, "10:06".into())),
                    points: rising(8123.0),
                    gaps: Vec::new(),
                    is_strip: false,
                },
            ),
            (
                "2026-07-14-ash-1".into(),
                Curve {
                    started: "09:50".into(),
                    began_ms: 0,
                    state: Some((FrameState::Exposing, "09:50".into())),
                    points: rising(15_100.0),
                    gaps: Vec::new(),
                    is_strip: false,
                },
            ),
        ]),
        trouble: None,
    };
    view
}

fn picture(view: &View, (width, height): (u16, u16), coloured: bool) -> Buffer {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
    terminal.draw(|screen| draw(screen, view, coloured)).unwrap();
    terminal.backend().buffer().clone()
}

fn rows(buffer: &Buffer) -> Vec<String> {
    let width = usize::from(buffer.area.width);
    let row = |cells: &[ratatui::buffer::Cell]| cells.iter().map(|cell| cell.symbol()).collect::<String>();
    buffer.content.chunks(width).map(|cells| row(cells).trim_end().to_owned()).collect()
}

fn is_braille(c: char) -> bool {
    ('\u{2801}'..='\u{28ff}').contains(&c)
}

#[test]
fn every_fact_is_there_at_both_sizes() {
    for size in SIZES {
        let rows = rows(&picture(&view(), size, false));
        let all = rows.join("\n");
        let words = all.split_whitespace().collect::<Vec<_>>().join(" ");
        for fact in [
            "yard",
            "light at sky: 41.2 W/m²",
            "its last hour, up to 50.0 W/m²",
            "> oak exposing",
            "8.12 of 15.0 kJ/m² 54 % since 10:06",
            "due about 10:21, in 2 min 47 s (10:20 to 10:25)",
            "ash due",
            "DUE since 10:21: bring it in covered",
            "elm empty",
            "up/down choose",
            "b bring in",
            "q leave",
        ] {
            assert!(words.contains(fact), "{fact} at {size:?}:\n{all}");
        }
        // The light and both prints have a curve each, of two rows at least.
        let curved: Vec<bool> = rows.iter().map(|row| row.contains(is_braille)).collect();
        let curves = curved.chunk_by(|a, b| a == b).filter(|run| run[0] && run.len() > 1).count();
        assert_eq!(curves, 3, "{size:?}:\n{all}");
    }
}

#[test]
fn an_instant_is_that_of_the_state_it_stands_beside() {
    let mut view = view();
    let mut figures = |state, known: FrameState| {
        view.status.frames[0].state = state;
        let curve = view.past.curves.get_mut("2026-07-14-oak-1").unwrap();
        curve.state = Some((known, "10:17".into()));
        rows(&picture(&view, SIZES[0], false)).join("\n")
    };
    assert!(figures(FrameState::In, FrameState::In).contains("since 10:17"));
    let behind = figures(FrameState::In, FrameState::Exposing);
    assert!(!behind.contains("since 10:17") && !behind.contains("since 10:02"), "{behind}");
}

#[test]
fn without_colour_nothing_is_coloured_and_a_call_still_stands_out() {
    for size in SIZES {
        for coloured in [false, true] {
            let buffer = picture(&view(), size, coloured);
            let has = |cell: &ratatui::buffer::Cell| cell.fg != Color::Reset || cell.bg != Color::Reset;
            assert_eq!(buffer.content.iter().any(has), coloured, "{size:?}");
            assert!(buffer.content.iter().any(|cell| cell.modifier.contains(Modifier::REVERSED)));
        }
        assert_eq!(rows(&picture(&view(), size, false)), rows(&picture(&view(), size, true)));
    }
}

#[test]
fn the_chosen_frame_stays_in_sight_however_many_there_are() {
    let mut view = view();
    view.status.frames = (0..40).map(|i| frame(&format!("frame{i}"), FrameState::Exposing)).collect();
    for _ in 0..39 {
        view.key(KeyCode::Down);
    }
    for size in SIZES {
        let all = rows(&picture(&view, size, false)).join("\n");
        assert!(all.contains("> frame39") && all.contains("q leave"), "{all}");
    }
}

#[test]
fn no_size_is_too_small_to_draw_on() {
    let mut view = view();
    view.away = Some("the daemon does not answer".into());
    for width in 1..50 {
        for height in 1..20 {
            picture(&view, (width, height), true);
        }
    }
}

#[test]
fn a_daemon_that_went_away_is_told_of() {
    let mut view = view();
    view.away = Some("the daemon does not answer".into());
    let all = rows(&picture(&view, SIZES[0], false)).join("\n");
    assert!(
        all.contains("! the daemon does not answer. The last it told is shown; waiting for it."),
        "{all}"
    );
}

#[test]
fn keys_act_on_the_chosen_frame() {
    let mut view = view();
    assert_eq!(view.key(KeyCode::Char('c')), Step::Ask(Request::Cover { frame: "oak".into() }));
    view.key(KeyCode::Down);
    assert_eq!(view.key(KeyCode::Char('u')), Step::Ask(Request::Uncover { frame: "ash".into() }));
    assert_eq!(view.key(KeyCode::Char('h')), Step::Ask(Request::Hush { frame: Some("ash".into()) }));
    view.key(KeyCode::Up);
    view.key(KeyCode::Up);
    assert_eq!(view.chosen(), 0);
    assert_eq!(view.key(KeyCode::Char('x')), Step::Stay);
    assert_eq!(view.key(KeyCode::Char('q')), Step::Leave);
}

#[test]
fn bringing_in_takes_the_key_twice_on_the_same_frame() {
    let mut view = view();
    assert_eq!(view.key(KeyCode::Char('b')), Step::Stay);
    assert!(view.said.as_ref().unwrap().contains("ends the exposure of oak"));
    assert_eq!(view.key(KeyCode::Down), Step::Stay);
    assert_eq!(view.key(KeyCode::Char('b')), Step::Stay, "another frame is asked about anew");
    assert_eq!(view.key(KeyCode::Char('b')), Step::Ask(Request::BringIn { frame: "ash".into() }));
}
