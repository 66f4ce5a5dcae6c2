//! Draws sample views, so that one can look at the screen without a vehicle.
//!
//! ```text
//! screen_gallery [SAMPLE [COLUMNS ROWS [help|full|large N|note]]]   as text
//! screen_gallery --live [SAMPLE]                               on the terminal
//! screen_gallery --live SAMPLE panic                           a task panics after a second
//! ```

#[path = "../tests/screens/samples.rs"]
mod samples;

use std::process::ExitCode;
use std::sync::Arc;
use std::time::Duration;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use stillheight::quantity::Span;
use stillheight::screen::{self, Command, Desk, Ink, Overlay, View};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    if let ["--live", rest @ ..] = words.as_slice() {
        return live(rest);
    }
    print(&words);
    ExitCode::SUCCESS
}

fn named(name: &str) -> View {
    samples::all()
        .into_iter()
        .find(|(sample, _)| *sample == name)
        .map_or_else(samples::level_still, |(_, view)| view)
}

/// The frame as text.
fn text(view: &View, desk: &Desk, columns: u16, rows: u16) -> String {
    let area = Rect::new(0, 0, columns, rows);
    let mut buffer = Buffer::empty(area);
    screen::draw(&mut buffer, area, view, desk);
    let mut text = String::new();
    for row in buffer.content().chunks(usize::from(columns.max(1))) {
        let line: String = row.iter().map(ratatui::buffer::Cell::symbol).collect();
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

fn print(words: &[&str]) {
    let mut desk = Desk::new(Ink::Plain);
    match words.get(3..).unwrap_or_default() {
        ["help"] => desk.overlay = Some(Overlay::Help),
        ["full"] => desk.overlay = Some(Overlay::InFull),
        ["large", index] => desk.large = index.parse().ok(),
        ["note"] => desk.note = Some("rear left bush squeaks".to_owned()),
        _ => {}
    }
    let number = |at: usize, otherwise: u16| {
        words
            .get(at)
            .and_then(|word| word.parse().ok())
            .unwrap_or(otherwise)
    };
    let (columns, rows) = (number(1, 80), number(2, 24));
    for (name, view) in samples::all() {
        if words.first().is_none_or(|wanted| *wanted == name) {
            println!("{name}, {columns}x{rows}");
            print!("{}", text(&view, &desk, columns, rows));
        }
    }
}

fn live(words: &[&str]) -> ExitCode {
    let view = named(words.first().copied().unwrap_or("left-high"));
    let panics = words.get(1) == Some(&"panic");
    let Ok(runtime) = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
    else {
        return ExitCode::from(2);
    };
    match runtime.block_on(show(view, panics)) {
        Ok(ended) => {
            println!("ended: {ended:?}");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{error} [{}]\n{}", error.code(), error.help());
            ExitCode::from(2)
        }
    }
}

async fn show(view: View, panics: bool) -> Result<screen::Ended, screen::ScreenError> {
    let (views, to_screen) = tokio::sync::watch::channel(Arc::new(view.clone()));
    let (to_us, mut commands) = tokio::sync::mpsc::channel(8);
    tokio::spawn(async move {
        let mut view = view;
        loop {
            tokio::time::sleep(Duration::from_millis(200)).await;
            while let Ok(command) = commands.try_recv() {
                obey(&mut view, command);
            }
            view.now = view.now + Span::from_s(0.2);
            if views.send(Arc::new(view.clone())).is_err() {
                return;
            }
        }
    });
    if panics {
        tokio::spawn(async {
            tokio::time::sleep(Duration::from_secs(1)).await;
            assert!(std::env::args().len() < 2, "a panic on purpose");
        });
    }
    screen::run(to_screen, to_us, Ink::from_environment()).await
}

/// Does to the sample what a key asks for.
fn obey(view: &mut View, command: Command) {
    match command {
        Command::ToggleLoad(index) => {
            if let Some(load) = view.loads.get_mut(index) {
                load.on = !load.on;
            }
        }
        Command::Keep => view.kept.insert(0, "kept by hand".to_owned()),
        Command::Note(text) => view.kept.insert(0, format!("note: {text}")),
        Command::Pause => view.paused = !view.paused,
        Command::Turn | Command::Count(_) | Command::GiveUp | Command::Task(_) | Command::Quit => {}
    }
}
