//! The screen: whole frames against kept text, any size and any view, and the
//! real thing on a pseudo-terminal.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test may stop at once")]

mod any_view;
#[cfg(unix)]
mod on_a_terminal;
mod samples;

use std::path::PathBuf;

use ratatui::buffer::{Buffer, Cell};
use ratatui::layout::Rect;
use ratatui::style::Color;
use stillheight::screen::{self, Desk, Ink, Overlay, View};

fn frame(view: &View, desk: &Desk, columns: u16, rows: u16) -> Buffer {
    let area = Rect::new(0, 0, columns, rows);
    let mut buffer = Buffer::empty(area);
    screen::draw(&mut buffer, area, view, desk);
    buffer
}

fn text(buffer: &Buffer) -> String {
    let mut text = String::new();
    for row in buffer
        .content()
        .chunks(usize::from(buffer.area.width.max(1)))
    {
        let line: String = row.iter().map(Cell::symbol).collect();
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

/// Compares with `tests/screens/NAME.txt`; `BLESS=1` writes it anew. A file
/// that is missing is a failure.
fn compare(name: &str, found: &str) {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/screens")
        .join(format!("{name}.txt"));
    if std::env::var_os("BLESS").is_some_and(|value| value == "1") {
        std::fs::write(&path, found).unwrap();
        return;
    }
    let kept = std::fs::read_to_string(&path)
        .unwrap_or_else(|error| panic!("tests/screens/{name}.txt: {error}"));
    assert!(
        kept == found,
        "tests/screens/{name}.txt differs; found:\n{found}\nkept:\n{kept}"
    );
}

#[test]
fn every_situation_at_both_sizes() {
    for (name, view) in samples::all() {
        for (columns, rows) in [(80, 24), (120, 40)] {
            let desk = Desk::new(Ink::Plain);
            let found = text(&frame(&view, &desk, columns, rows));
            compare(&format!("{name}-{columns}x{rows}"), &found);
        }
    }
}

#[test]
fn what_the_keys_open() {
    let view = samples::left_high();
    let plain = Desk::new(Ink::Plain);
    let desks = [
        (
            "help",
            Desk {
                overlay: Some(Overlay::Help),
                ..plain.clone()
            },
        ),
        (
            "in-full",
            Desk {
                overlay: Some(Overlay::InFull),
                ..plain.clone()
            },
        ),
        (
            "large",
            Desk {
                large: Some(0),
                ..plain.clone()
            },
        ),
        (
            "large-link",
            Desk {
                large: Some(3),
                ..plain.clone()
            },
        ),
        (
            "note",
            Desk {
                note: Some("rear left bush squeaks".to_owned()),
                ..plain.clone()
            },
        ),
    ];
    for (name, desk) in desks {
        compare(
            &format!("{name}-80x24"),
            &text(&frame(&view, &desk, 80, 24)),
        );
    }
    compare("small-40x12", &text(&frame(&view, &plain, 40, 12)));
    compare("small-20x6", &text(&frame(&view, &plain, 20, 6)));
}

/// What must be readable without knowing the layout.
#[test]
fn the_words_are_there_at_80_by_24() {
    let says = |view: &View, words: &[&str]| {
        let found = text(&frame(view, &Desk::new(Ink::Plain), 80, 24));
        for word in words {
            assert!(found.contains(word), "'{word}' is missing from\n{found}");
        }
    };
    says(
        &samples::left_high(),
        &[
            "left high",
            "nose down",
            "outside",
            "STILL 12 s",
            "12.4 too high",
            "± 0.6 mm to go ▼ down: rear left",
            "NEXT",
            "▲ outside",
        ],
    );
    says(
        &samples::moving(),
        &["MOVING 3 s", "cannot tell", "moving:"],
    );
    says(
        &samples::nothing_heard(),
        &["NOTHING HEARD", "never heard:", "cannot tell"],
    );
    says(
        &samples::sensor_gone(),
        &[
            "gone: laser RL 41 s",
            "silent: link tilt 7 s",
            "~440.4",
            "~ assumed",
            "warning:",
        ],
    );
    says(
        &samples::inches(),
        &["± 0.03 in to go", "aim 16.22 ± 0.12", "165 lb"],
    );
    says(
        &samples::level_still(),
        &["inside target: level", "nothing to go"],
    );
    says(&samples::long_names(), &["…", "replay, held", "error:"]);
    says(
        &samples::at_work(),
        &[
            "784 N on, by the heights",
            "height over load",
            "Enter it is so",
            "caution:",
            "underneath",
        ],
    );
}

/// Where there are more links and coilovers than rows it is said how many are
/// left out.
#[test]
fn what_finds_no_row_is_counted() {
    let mut view = samples::left_high();
    let at = |view: &View| text(&frame(view, &Desk::new(Ink::Plain), 80, 24));
    view.coilovers.extend(view.coilovers.clone());
    assert!(!at(&view).contains("more on a taller screen"));
    view.coilovers.extend(view.coilovers.clone());
    // One link and eight coilovers on five rows, of which one says so.
    assert!(
        at(&view).contains("+5 more on a taller screen"),
        "{}",
        at(&view)
    );
}

/// With fewer rows than sensors those that need looking at come first.
#[test]
fn a_sensor_that_needs_looking_at_is_never_left_out() {
    let mut view = samples::level_still();
    for round in 0..5 {
        for at in 0..6 {
            let mut sensor = view.sensors[at].clone();
            sensor.name = format!("spare {round} {at}");
            view.sensors.push(sensor);
        }
    }
    view.sensors[20].quality = screen::view::Quality::Untrusted;
    view.sensors[20].name = "odd one".to_owned();
    let found = text(&frame(&view, &Desk::new(Ink::Plain), 80, 24));
    assert!(found.contains("untrusted: odd one"), "{found}");
}

#[test]
fn without_colour_there_is_none_and_with_colour_there_is_some() {
    let coloured = |ink: Ink| {
        let mut count = 0;
        for (_, view) in samples::all() {
            for large in [None, Some(0)] {
                let desk = Desk {
                    large,
                    ..Desk::new(ink)
                };
                count += frame(&view, &desk, 120, 40)
                    .content()
                    .iter()
                    .filter(|cell| cell.fg != Color::Reset || cell.bg != Color::Reset)
                    .count();
            }
        }
        count
    };
    assert_eq!(coloured(Ink::Plain), 0);
    assert!(coloured(Ink::Colour) > 100);
}

/// Colour says nothing that the characters do not say as well: frames of
/// views that differ in what matters differ as text.
#[test]
fn situations_differ_without_colour() {
    let texts: Vec<String> = samples::all()
        .iter()
        .map(|(_, view)| text(&frame(view, &Desk::new(Ink::Plain), 80, 24)))
        .collect();
    for (index, one) in texts.iter().enumerate() {
        assert!(!texts[index + 1..].contains(one));
    }
    let mut view = samples::left_high();
    let outside = text(&frame(&view, &Desk::new(Ink::Plain), 80, 24));
    view.verdict = screen::view::Verdict::CannotTell;
    assert_ne!(outside, text(&frame(&view, &Desk::new(Ink::Plain), 80, 24)));
}
