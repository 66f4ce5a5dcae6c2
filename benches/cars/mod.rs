//! A car of any number of holes and springs for the search, shared by the benches.

use std::fmt::Write as _;
use stillheight::advice::{AimedCase, Belief, Limits, Search, Setup};
use stillheight::compare::aims;
use stillheight::sheet::{BuildSheet, parse};

#[allow(clippy::too_many_lines, reason = "most of it is the sheet")]
/// A car with two solid axles: so many lower and upper holes at each corner, so many
/// springs on the shelf. All numbers invented.
pub fn car(lower: usize, upper: usize, springs: usize) -> BuildSheet {
    let mut text = String::from(
        r#"
name = "bench car"
[frame]
wheelbase = "2400 mm"
design_height = "430 mm"
[weight]
sprung = "520 kg"
centre = ["1150 mm", "8 mm", "220 mm"]
"#,
    );
    for (name, x, y) in [
        ("rear left", -200, 430),
        ("rear right", -200, -430),
        ("front left", 2300, 430),
        ("front right", 2300, -430),
    ] {
        text +=
            &format!("[[station]]\nname = \"{name}\"\nat = [\"{x} mm\", \"{y} mm\", \"0 mm\"]\n");
    }
    for (end, rate, x) in [("rear", 26.0, 0), ("front", 24.0, 2400)] {
        let _ = write!(
            text,
            r#"
[{end}]
axle = "solid"
track = "1400 mm"
unsprung = "90 kg"
axle_height = "305 mm"
[{end}.tyre]
radius = "318 mm"
rate = "200 N/mm"
[{end}.spring]
rate = "{rate} N/mm"
free_length = "250 mm"
solid_length = "88 mm"
[{end}.coilover]
extended = "450 mm"
compressed = "300 mm"
hardware = "180 mm"
[{end}.collar]
height = "12 mm"
lowest = "0 mm"
highest = "30 mm"
pitch = "2 mm"
"#
        );
        let middle = lower / 2;
        for i in 0..lower {
            let step = 16.0 * (i as f64 - middle as f64);
            let _ = write!(
                text,
                "[[{end}.lower_hole]]\nname = \"{}\"\nat = [\"0 mm\", \"{} mm\", \"{} mm\"]\nin_use = {}\n",
                i + 1,
                500.0 - 0.2 * step,
                20.0 + step,
                i == middle
            );
        }
        let middle = upper / 2;
        for i in 0..upper {
            let step = 20.0 * (i as f64 - middle as f64);
            let _ = write!(
                text,
                "[[{end}.upper_hole]]\nname = \"{}\"\nat = [\"{x} mm\", \"{} mm\", \"{} mm\"]\nin_use = {}\n",
                i + 1,
                385.0 - 0.3 * step,
                265.0 + step,
                i == middle
            );
        }
    }
    for i in 0..springs {
        let _ = write!(
            text,
            "[[shelf]]\nname = \"s{i}\"\nrate = \"{} N/mm\"\nfree_length = \"{} mm\"\nsolid_length = \"85 mm\"\ncount = 4\n",
            20 + 4 * i,
            262 - 5 * i
        );
    }
    for (name, weight, x, y) in [
        ("driver", 80, 1200, 300),
        ("fuel", 45, 500, -250),
        ("goods", 150, 300, 40),
    ] {
        let _ = write!(
            text,
            "[[load]]\nname = \"{name}\"\nweight = \"{weight} kg\"\nat = [\"{x} mm\", \"{y} mm\", \"250 mm\"]\n"
        );
    }
    text += r#"
[[case]]
name = "driver"
loads = ["driver"]
[[case]]
name = "full tank"
loads = ["driver", "fuel"]
[[case]]
name = "loaded"
loads = ["driver", "fuel", "goods"]
[target]
roll = "0 deg"
roll_tolerance = "0.2 deg"
"#;
    for station in ["rear left", "rear right", "front left", "front right"] {
        let _ = write!(
            text,
            "[[target.height]]\nstation = \"{station}\"\nheight = \"445 mm\"\ntolerance = \"6 mm\"\n"
        );
    }
    match parse(&text, "bench.toml") {
        Ok(checked) => checked.sheet,
        Err(mistakes) => {
            eprintln!("{mistakes}");
            std::process::exit(1)
        }
    }
}

/// The cases of these names with the sheet's aims.
pub fn cases(sheet: &BuildSheet, names: &[&str]) -> Vec<AimedCase> {
    let wanted = sheet
        .cases
        .iter()
        .filter(|c| names.contains(&c.name.as_str()));
    wanted
        .map(|c| AimedCase {
            name: c.name.clone(),
            loads: c.loads.clone(),
            aims: aims(sheet),
        })
        .collect()
}

/// The search, ready to go.
pub fn prepared<'b, 's>(
    belief: &'b Belief<'s>,
    setup: &Setup,
    cases: &[AimedCase],
) -> Search<'b, 's> {
    match Search::new(belief, setup, cases, true, Limits::default()) {
        Ok(search) => search,
        Err(e) => {
            eprintln!("{e}");
            std::process::exit(1)
        }
    }
}
