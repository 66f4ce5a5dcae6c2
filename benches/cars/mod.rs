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
        // At each step of a row a mount is so much higher, and leans in by a share of that.
        for (row, count, apart, x, y, z, lean) in [
            ("lower", lower, 16.0, 0, 500.0, 20.0, 0.2),
            ("upper", upper, 20.0, x, 385.0, 265.0, 0.3),
        ] {
            let middle = count / 2;
            for i in 0..count {
                let step = apart * (i as f64 - middle as f64);
                let _ = write!(
                    text,
                    "[[{end}.{row}_hole]]\nname = \"{}\"\nat = [\"{x} mm\", \"{} mm\", \"{} mm\"]\nin_use = {}\n",
                    i + 1,
                    y - lean * step,
                    z + step,
                    i == middle
                );
            }
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
