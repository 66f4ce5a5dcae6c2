//! The report: whole without a logbook and with one, safe with hostile names,
//! never over an old file unless told.

use crate::room::folder::{Folder, err};
use std::process::Command;

/// What every page must be: whole, without scripts, nothing from elsewhere.
fn is_sound(page: &str, folder: &Folder) {
    assert!(page.starts_with("<!DOCTYPE html>") && page.trim_end().ends_with("</html>"));
    assert!(page.contains("http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'"));
    let lower = page.to_lowercase();
    for never in [
        "<script",
        "javascript:",
        " src=",
        "href=",
        "@import",
        "url(",
        " onload",
        " onclick",
    ] {
        assert!(!lower.contains(never), "{never}");
    }
    // Addresses of names (xmlns) only.
    for (at, _) in page.match_indices("http") {
        let rest = &page[at..];
        assert!(
            rest.starts_with("http://www.w3.org/2000/svg") || rest.starts_with("http-equiv"),
            "{}",
            &rest[..60]
        );
    }
    let place = folder.0.display().to_string();
    assert!(!page.contains(&place) && !page.contains("/dev/") && !page.contains("/tmp/"));
    // Numbers that are none.
    for never in ["NaN", "inf ", ">inf<"] {
        assert!(!page.contains(never), "{never}");
    }
    let (open, close) = (page.matches("<svg").count(), page.matches("</svg>").count());
    assert_eq!(open, close);
    for tag in [
        "table", "section", "figure", "tr", "td", "th", "ul", "div", "p",
    ] {
        let opened =
            page.matches(&format!("<{tag}>")).count() + page.matches(&format!("<{tag} ")).count();
        assert_eq!(opened, page.matches(&format!("</{tag}>")).count(), "{tag}");
    }
    // Every picture that says something says it in words too.
    let told = page.matches("role=\"img\"").count();
    assert!(told >= 4, "{told}");
    for (at, _) in page.match_indices("role=\"img\"") {
        assert!(
            page[at..].split('>').take(3).any(|t| t.contains("<title")),
            "{}",
            &page[at..at + 200]
        );
    }
}

#[test]
fn without_a_logbook_it_is_targets_only_and_says_so() {
    let folder = Folder::new("empty");
    assert!(folder.run(&["sheet", "new", "van.toml"]).status.success());
    let made = folder.run(&["report", "van.toml", "-o", "report.html"]);
    assert!(made.status.success(), "{}", err(&made));
    let page = folder.read("report.html");
    is_sound(&page, &folder);
    assert!(page.contains("Nothing has been read yet: these are targets only"));
    // Four heights, roll, pitch and the link of at least two cases, each with its interval.
    let cases = &page[page.find("Every load case by the sheet alone").unwrap()..];
    let cases = &cases[..cases.find("</table>").unwrap()];
    assert!(cases.matches(" ± ").count() >= 14, "{cases}");
    for heading in [
        "The vehicle, to scale",
        "Targets and what it comes to",
        "Coilovers and axles",
        "Sag and travel",
        "Wheel rate and lean",
        "Room round the wheel",
        "The lateral link through its travel",
        "Changes: promised and found",
        "Sensors and zeros",
        "What was assumed",
        "Before it goes on the road",
        "Signed off",
    ] {
        assert!(page.contains(heading), "{heading}");
    }
    assert!(
        page.contains("From behind")
            && page.contains("From the left")
            && page.contains("From above")
    );
    assert_eq!(folder.names(), ["report.html", "van.toml"]);
}

/// The PDF has the same headings and names, on both papers, and is no larger than
/// can be sent by mail.
#[test]
fn the_pdf_says_what_the_page_says() {
    let folder = Folder::new("pdf");
    assert!(folder.run(&["sheet", "new", "van.toml"]).status.success());
    for (paper, size) in [("a4", "595.28 841.89"), ("letter", "612 792")] {
        let name = format!("{paper}.pdf");
        let made = folder.run(&["report", "van.toml", "--pdf", "--paper", paper, "-o", &name]);
        assert!(made.status.success(), "{}", err(&made));
        let file = std::fs::read(folder.0.join(&name)).unwrap();
        let text = String::from_utf8_lossy(&file);
        assert!(text.starts_with("%PDF-") && text.trim_end().ends_with("%%EOF"));
        assert!(text.contains(size), "{paper}");
        for words in [
            "Targets and what it comes to",
            "Coilovers and axles",
            "Signed off",
            "rear left",
            "What was assumed",
        ] {
            assert!(text.contains(words), "{paper}: {words}");
        }
        assert!(!text.contains("NaN") && !text.contains("inf "), "{paper}");
        assert!(file.len() < 1_500_000, "{} bytes", file.len());
    }
    let usual = folder.run(&["report", "van.toml", "--pdf"]);
    assert!(usual.status.success() && folder.0.join("report.pdf").exists());
    assert_eq!(
        folder.run(&["report", "van.toml", "--pdf"]).status.code(),
        Some(2)
    );
}

#[test]
fn an_old_report_is_kept_unless_forced_and_survives_a_failed_write() {
    let folder = Folder::new("kept");
    assert!(folder.run(&["sheet", "new", "van.toml"]).status.success());
    std::fs::write(folder.0.join("report.html"), "mine").unwrap();
    let kept = folder.run(&["report", "van.toml"]);
    assert_eq!(kept.status.code(), Some(2), "{}", err(&kept));
    assert!(
        err(&kept).contains("file.exists") && err(&kept).contains("--force"),
        "{}",
        err(&kept)
    );
    assert_eq!(folder.read("report.html"), "mine");
    let forced = folder.run(&["report", "van.toml", "--force"]);
    assert!(forced.status.success(), "{}", err(&forced));
    assert!(folder.read("report.html").starts_with("<!DOCTYPE html>"));
    assert_eq!(folder.names(), ["report.html", "van.toml"]);
    let nowhere = folder.run(&["report", "van.toml", "-o", "no/such/folder/report.html"]);
    assert_eq!(nowhere.status.code(), Some(2), "{}", err(&nowhere));
}

/// A disk that is full: the file may not grow beyond 20 kB, and the page is larger.
/// What was there stays as it was, and nothing half written is left.
#[cfg(unix)]
#[test]
fn a_full_disk_leaves_the_old_report_as_it_was() {
    let folder = Folder::new("full");
    assert!(folder.run(&["sheet", "new", "van.toml"]).status.success());
    std::fs::write(folder.0.join("report.html"), "mine").unwrap();
    // The shell's limit on file sizes (512 byte blocks); the signal for it ignored.
    let script = format!(
        "trap '' XFSZ; ulimit -f 40; exec '{}' report van.toml --force",
        env!("CARGO_BIN_EXE_stillheight")
    );
    let output = Command::new("sh")
        .args(["-c", &script])
        .current_dir(&folder.0)
        .output()
        .unwrap();
    assert_ne!(output.status.code(), Some(0), "{}", err(&output));
    assert!(err(&output).contains("cannot write"), "{}", err(&output));
    assert_eq!(folder.read("report.html"), "mine");
    assert_eq!(folder.names(), ["report.html", "van.toml"]);
}

#[test]
fn names_that_are_markup_stay_words() {
    let folder = Folder::new("hostile");
    assert!(folder.run(&["sheet", "new", "van.toml"]).status.success());
    let evil = "<script>alert('1')</script><img onerror=x> & \\\"q\\\"";
    let text = folder
        .read("van.toml")
        .replacen("flat-deck van, bare chassis", evil, 1)
        .replace("\"tank\"", "\"</svg><b>tank\"")
        .replace("\"rear lateral link\"", "\"link <i> & ]]>\"");
    std::fs::write(folder.0.join("van.toml"), text).unwrap();
    let made = folder.run(&["report", "van.toml"]);
    assert!(made.status.success(), "{}", err(&made));
    let page = folder.read("report.html");
    is_sound(&page, &folder);
    assert!(page.contains("&lt;script&gt;alert"));
    assert!(!page.contains("<img") && !page.contains("<b>tank") && !page.contains("link <i>"));
}

#[test]
fn with_a_logbook_it_shows_what_was_read_and_what_was_promised() {
    let folder = Folder::new("read");
    let rehearsed = folder.run(&["rehearse", "--json", "--speed", "20", "--folder", "."]);
    assert!(rehearsed.status.success(), "{}", err(&rehearsed));
    let changed = folder.run(&[
        "changed",
        "rehearsal.toml",
        "--collar",
        "rear left",
        "--turns",
        "+1",
    ]);
    assert!(changed.status.success(), "{}", err(&changed));
    let made = folder.run(&["report", "rehearsal.toml"]);
    assert!(made.status.success(), "{}", err(&made));
    let page = folder.read("report.html");
    is_sound(&page, &folder);
    assert!(page.contains("By everything that was read"));
    assert!(
        page.contains("helper + sandbags") && page.contains("How well the readings fit each other")
    );
    assert!(
        page.contains("rear left: collar 1 turn up"),
        "the change is listed"
    );
    // The rehearsal's clock runs ahead of this one: readings may be later than the change.
    assert!(
        page.contains("Nothing has been read since") || page.contains("sensors together, limit"),
        "its promise is open, or held against what came"
    );
    assert!(
        page.contains("Cannot be told yet") || page.contains("Dots: readings"),
        "settling says something"
    );
}
