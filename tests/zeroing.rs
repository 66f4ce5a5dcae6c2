//! Zeroing against published examples, and the sheet's neighbour file.

use std::path::Path;

use stillheight::ports::UsbIdentity;
use stillheight::readings::Calibration;
use stillheight::readings::neighbour::{Neighbour, Place, Zero, neighbour_path};
use stillheight::readings::zeroing::{
    BlockReading, FloorSpot, SEATING_RAD, Shown, blocks, cross_axis, error_line, floor_plane,
    reversal, temperature_line,
};

fn near(what: &str, found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{what}: {found} against {expected}"
    );
}

fn exact(value: f64) -> Shown {
    Shown { value, u: 0.0 }
}

/// Source: 'How to calibrate engineers' levels': four divisions one way, then
/// three the other way as the observer sees it; level error 3.5, surface 0.5
/// divisions. With the signs of the instrument itself, turned end for end, the
/// second reading is +3.
#[test]
fn reversal_after_the_engineers_level() {
    let found = reversal(&[(exact(4.0), exact(3.0))]).unwrap();
    near("zero", found.zero.value, 3.5, 1e-15);
    near("surface", found.slope.value, 0.5, 1e-15);
}

/// Source: the same text's case in signed form: +0.35 and -0.15 give zero 0.10
/// and surface 0.25.
#[test]
fn reversal_in_signed_form() {
    let deg = |d: f64| exact(d.to_radians());
    let found = reversal(&[(deg(0.35), deg(-0.15))]).unwrap();
    near("zero", found.zero.value.to_degrees(), 0.10, 1e-12);
    near("surface", found.slope.value.to_degrees(), 0.25, 1e-12);
    // One pair says nothing of how it sits down again: the allowance is all there is.
    near("u", found.zero.u, SEATING_RAD, 1e-15);
    assert_eq!(found.spread, None);
}

/// Three pairs: u = s / sqrt(3) t(0.975, 2) / 1.96.
///
/// Source: GUM (JCGM 100:2008) 4.2.3 and table G.2: t95 for 2 degrees of
/// freedom is 4.30.
#[test]
fn more_pairs_give_the_uncertainty() {
    let pairs = [0.09, 0.10, 0.11].map(|z: f64| (exact(z + 0.25), exact(z - 0.25)));
    let found = reversal(&pairs).unwrap();
    near("spread", found.spread.unwrap(), 0.01, 1e-12);
    near("zero", found.zero.value, 0.10, 1e-12);
    near("slope", found.slope.value, 0.25, 1e-12);
    let expected = 0.01 / 3.0_f64.sqrt() * 4.30 / 1.96;
    near("u", found.zero.u, expected, 0.002 * expected);
}

#[test]
fn readings_that_are_none_are_refused() {
    assert_eq!(
        reversal(&[]).unwrap_err().code(),
        "readings.zeroing.too_few"
    );
    let wrong = reversal(&[(exact(f64::NAN), exact(0.0))]).unwrap_err();
    assert_eq!(wrong.code(), "readings.zeroing.number");
}

const T_K: [f64; 11] = [
    21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
];
const B_K: [f64; 11] = [
    -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
];

fn h3() -> Vec<(f64, f64)> {
    T_K.into_iter().zip(B_K).collect()
}

/// Source: GUM (JCGM 100:2008) H.3, table H.6: y1 = -0.1712, s 0.0029; y2 =
/// 0.00218, s 0.00067; r = -0.930; s = 0.0035; b(30) = -0.1494, u 0.0041. More
/// digits: recomputed in public code that cites it.
#[test]
fn line_after_gum_h3() {
    let line = error_line(&h3(), 20.0).unwrap();
    near("y1", line.zero.value, -0.171_203_790_131, 1e-12);
    near("s(y1)", line.zero.u, 0.002_877_597_835, 1e-12);
    near("y2", line.scale.value, 0.002_182_697_74, 1e-11);
    near("s(y2)", line.scale.u, 0.000_667_938_773, 1e-12);
    near("r", line.correlation, -0.930_429_603_093, 1e-11);
    near("s", line.residual_sd.unwrap(), 0.003_497_563_963_5, 1e-12);
    let at_30 = line.at(30.0);
    near("b(30)", at_30.value, -0.149_376_812_73, 1e-11);
    near("u(b(30))", at_30.u, 0.004_138_595_75, 1e-11);
}

/// Source: documentation of a public uncertainty library, GUM H.3 with a
/// systematic u = 0.005 common to all b_k: u(y1) = 0.00576893138292676, u(y2)
/// as before.
#[test]
fn a_common_error_widens_the_zero_and_leaves_the_slope() {
    let plain = error_line(&h3(), 20.0).unwrap();
    let line = plain.clone().with_common(0.005);
    near("s(y1)", line.zero.u, 0.005_768_931_382_926_76, 1e-13);
    near("s(y2)", line.scale.u, plain.scale.u, 0.0);
    // The covariance of the two stays what it was.
    near(
        "covariance",
        line.correlation * line.zero.u * line.scale.u,
        plain.correlation * plain.zero.u * plain.scale.u,
        1e-18,
    );
}

fn over_block(block_mm: f64, shown_mm: f64) -> BlockReading {
    BlockReading {
        shown: Shown {
            value: shown_mm * 1e-3,
            u: 0.1e-3,
        },
        block: Shown {
            value: block_mm * 1e-3,
            u: 0.02e-3,
        },
    }
}

/// Arithmetic: 101.5 shown over a block of 100 is 1.5 too much.
#[test]
fn one_block_gives_the_offset() {
    let line = blocks(&[over_block(100.0, 101.5)], 0.0).unwrap();
    near("zero", line.zero.value, 1.5e-3, 1e-15);
    near("u", line.zero.u, 0.1e-3_f64.hypot(0.02e-3), 1e-15);
    near("scale", line.scale.value, 0.0, 0.0);
}

/// A sensor that shows v + 1 mm + 0.2 % v, over four blocks.
#[test]
fn several_blocks_give_offset_and_scale() {
    let readings: Vec<_> = [50.0, 100.0, 200.0, 400.0]
        .into_iter()
        .map(|b| over_block(b, b * 1.002 + 1.0))
        .collect();
    let line = blocks(&readings, 0.0).unwrap();
    near("scale", line.scale.value, 0.002, 1e-12);
    near("error at 0", line.at(0.0).value, 1e-3, 1e-12);
    // The points lie on a line, but no better than what each is worth.
    near("u", line.zero.u, 0.1e-3_f64.hypot(0.02e-3) / 2.0, 1e-12);
    let calibration = Calibration {
        zero: line.zero.value,
        scale: line.scale.value,
        reference: line.reference,
        ..Calibration::default()
    };
    for v in [0.05, 0.3, 1.2] {
        near("back", calibration.value(v * 1.002 + 0.001), v, 1e-12);
    }
    let same = blocks(&[over_block(100.0, 101.0), over_block(100.0, 101.2)], 0.0);
    assert_eq!(same.unwrap_err().code(), "readings.zeroing.not_determined");
    let same = blocks(
        &[
            over_block(100.0, 101.0),
            over_block(100.0, 101.2),
            over_block(100.0, 101.1),
        ],
        0.0,
    );
    assert_eq!(same.unwrap_err().code(), "readings.zeroing.not_determined");
}

#[test]
fn warming_is_taken_off_and_too_little_is_refused() {
    let points: Vec<_> = [15.0, 20.0, 25.0, 30.0]
        .into_iter()
        .map(|t| (t, 0.5 + 0.01 * (t - 22.5)))
        .collect();
    let line = temperature_line(&points).unwrap();
    near("slope", line.scale.value, 0.01, 1e-12);
    near("at the middle", line.zero.value, 0.5, 1e-12);
    let calibration = Calibration {
        zero: line.zero.value,
        warming: Some((line.scale.value, line.reference)),
        ..Calibration::default()
    };
    for (t, shown) in points {
        near("level", calibration.value_at(shown, Some(t)), 0.0, 1e-12);
    }
    near(
        "untold temperature",
        calibration.value_at(0.5, None),
        0.0,
        1e-12,
    );
    let little = temperature_line(&[(20.0, 0.0), (21.0, 0.1), (22.0, 0.2)]);
    assert_eq!(little.unwrap_err().code(), "readings.zeroing.warming");
    let nan = temperature_line(&[(20.0, 0.0), (f64::NAN, 0.1), (f64::NAN, 0.2)]);
    assert!(nan.is_err());
}

/// Turned about by a rotation of the bracket of 0.05 rad, an inclinometer
/// shows sin(0.05) of a small tilt across.
#[test]
fn cross_axis_is_the_share_that_shows() {
    let found = cross_axis(exact(0.001), exact(0.001 + 0.1 * 0.05), 0.1).unwrap();
    near("share", found.value, 0.05, 1e-12);
    assert!(cross_axis(exact(0.0), exact(0.0), 0.001).is_err());
}

/// Source: ISO 8855:2011, positive roll = left side up, positive pitch = nose
/// down; the plane through (0,0,10) (3,0,13) (0,4,8) is z = 10 + x - 0.5 y
/// (three points fix a plane).
#[test]
fn three_spots_fix_the_plane_and_a_fourth_has_a_bump() {
    let spot = |x: f64, y: f64, height: f64| FloorSpot { x, y, height };
    let three = [
        spot(0.0, 0.0, 10.0),
        spot(3.0, 0.0, 13.0),
        spot(0.0, 4.0, 8.0),
    ];
    let plane = floor_plane(&three, 0.001).unwrap();
    near("pitch", plane.pitch.value.tan(), -1.0, 1e-12);
    near("roll", plane.roll.value.tan(), -0.5, 1e-12);
    assert!(plane.bumps.iter().all(|b| b.abs() < 1e-12));
    // Four corners of a rectangle with one raised by 4: warp is +-1 each.
    let four = [
        spot(0.0, 1.0, 4.0),
        spot(0.0, -1.0, 0.0),
        spot(2.0, 1.0, 0.0),
        spot(2.0, -1.0, 0.0),
    ];
    let plane = floor_plane(&four, 0.001).unwrap();
    let expected = [1.0, -1.0, -1.0, 1.0];
    for (bump, expected) in plane.bumps.iter().zip(expected) {
        near("bump", *bump, expected, 1e-12);
    }
    // u(slope) of four corners: u / (2 half-widths): 0.001 / 2 across, 0.001 / 2 along.
    near("u(roll)", plane.roll.u, 0.0005, 1e-12);
    let line = [
        spot(0.0, 0.0, 0.0),
        spot(1.0, 0.0, 0.0),
        spot(2.0, 0.0, 0.0),
    ];
    assert_eq!(
        floor_plane(&line, 0.001).unwrap_err().code(),
        "readings.zeroing.not_determined"
    );
}

#[test]
fn the_neighbour_file_reads_back_as_it_was_written() {
    let mut neighbour = Neighbour::default();
    neighbour.bind(Place {
        sensor: "height rear left".into(),
        found: "2026-11-25T10:00:00Z".into(),
        device: Some("0x6b1d40c29a000021".into()),
        channel: Some(0),
        port: Some("/dev/ttyUSB0".into()),
        baud: Some(115_200),
        ..Place::default()
    });
    neighbour.zeros.push(Zero {
        sensor: "frame roll".into(),
        at: "2026-11-25T10:05:00Z".into(),
        device: "0x6b1d40c29a000011/0".into(),
        by: "reversal".into(),
        readings: 4,
        zero_deg: Some(0.1),
        zero_standard_uncertainty_deg: Some(0.012),
        ..Zero::default()
    });
    let text = neighbour.text();
    let again = Neighbour::parse(&text, Path::new("van.sensors.toml")).unwrap();
    assert_eq!(again.places, neighbour.places);
    assert_eq!(again.zeros, neighbour.zeros);
    assert_eq!(again.text(), text);
    assert_eq!(
        neighbour_path(Path::new("x/van.toml")),
        Path::new("x/van.sensors.toml")
    );
}

#[test]
fn a_device_is_in_one_place_and_a_place_has_one_device() {
    let place = |sensor: &str, device: &str| Place {
        sensor: sensor.into(),
        device: Some(device.into()),
        channel: Some(0),
        ..Place::default()
    };
    let mut neighbour = Neighbour::default();
    assert_eq!(neighbour.bind(place("left", "0x1")), None);
    assert_eq!(neighbour.bind(place("right", "0x2")), None);
    assert_eq!(
        neighbour.bind(place("right", "0x1")).as_deref(),
        Some("left")
    );
    assert_eq!(neighbour.places.len(), 1);
    assert_eq!(
        neighbour.place("right").unwrap().device.as_deref(),
        Some("0x1")
    );
    assert!(neighbour.place("left").is_none());
    // An adapter in another socket is the same by its serial number.
    let adapter = |sensor: &str, socket: &str, port: &str| Place {
        sensor: sensor.into(),
        usb: Some("1209:0001".into()),
        usb_serial: Some("A1".into()),
        usb_socket: Some(socket.into()),
        port: Some(port.into()),
        transducer: Some("HEEL".into()),
        ..Place::default()
    };
    neighbour.bind(adapter("link", "1-1", "/dev/ttyUSB0"));
    let moved = neighbour.bind(adapter("roll", "1-4.2", "/dev/ttyUSB3"));
    assert_eq!(moved.as_deref(), Some("link"));
    assert_eq!(
        neighbour.place("roll").unwrap().usb_identity(),
        Some(UsbIdentity {
            vendor: 0x1209,
            product: 1,
            serial: Some("A1".into()),
            socket: Some("1-4.2".into()),
        })
    );
}

#[test]
fn only_the_newest_zero_of_the_same_device_counts_and_old_ones_stay() {
    let zero = |at: &str, device: &str, deg: f64| Zero {
        sensor: "frame roll".into(),
        at: at.into(),
        device: device.into(),
        by: "reversal".into(),
        readings: 2,
        zero_deg: Some(deg),
        zero_standard_uncertainty_deg: Some(0.01),
        ..Zero::default()
    };
    let mut neighbour = Neighbour::default();
    neighbour.zeros = vec![
        zero("2026-11-01T10:00:00Z", "A", 0.1),
        zero("2026-11-03T10:00:00Z", "A", 0.2),
        zero("2026-11-02T10:00:00Z", "A", 0.3),
        zero("2026-11-04T10:00:00Z", "B", 0.4),
    ];
    let newest = |device: &str| {
        neighbour
            .newest_zero("frame roll", device)
            .map(|z| z.zero_deg)
    };
    assert_eq!(newest("A"), Some(Some(0.2)));
    assert_eq!(newest("B"), Some(Some(0.4)));
    assert_eq!(newest("C"), None);
    assert_eq!(
        neighbour.newest_zero_of_any("frame roll").unwrap().device,
        "B"
    );
}

#[test]
fn wrong_neighbour_files_are_refused_with_what_is_wrong() {
    let refused = |text: &str| {
        Neighbour::parse(text, Path::new("van.sensors.toml"))
            .expect_err(text)
            .to_string()
    };
    let zero = "form = 1\n[[zero]]\nsensor = 'a'\nat = '2026-11-25T10:00:00Z'\ndevice = 'A'\nby = 'reversal'\nreadings = 2\n";
    for (text, says) in [
        ("form = 1\nplaces = 3\n", "places"),
        ("form = 7\n", "form 7"),
        (
            "form = 1\n[[place]]\nsensor = 'a'\nfound = 'x'\n",
            "neither device nor usb nor port",
        ),
        (
            "form = 1\n[[place]]\nsensor = 'a'\nfound = 'x'\ndevice = 'zz'\n",
            "'zz'",
        ),
        (zero, "either zero_deg or zero_mm"),
        (
            &format!("{zero}zero_deg = nan\nzero_standard_uncertainty_deg = 0.1\n"),
            "not finite",
        ),
        (
            &format!("{zero}zero_deg = 0.0\nzero_standard_uncertainty_deg = -0.1\n"),
            "below zero",
        ),
        (
            &zero.replace("2026-11-25T10:00:00Z", "yesterday"),
            "yesterday",
        ),
        ("form = ", "van.sensors.toml"),
    ] {
        let said = refused(text);
        assert!(said.contains(says), "{said}");
    }
}

/// A floor that stands up evenly under every wheel and one that is shifted down
/// are the same vehicle, that much higher: nothing else changes.
#[test]
fn an_even_rise_of_the_floor_lifts_the_vehicle_and_nothing_else() {
    use stillheight::quantity::{Length, UnitSystem};
    use stillheight::sheet::{parse, template};
    use stillheight::statics::{Model, quantities};
    let sheet = parse(&template(UnitSystem::Metric), "van.toml")
        .unwrap()
        .sheet;
    let rest = |rise_mm: [[f64; 2]; 2]| {
        let mut sheet = sheet.clone();
        sheet.floor.under_wheels = rise_mm.map(|a| a.map(|mm| Length::new(mm * 1e-3)));
        let model = Model::new(&sheet, &[]);
        let rest = model.equilibrium().unwrap();
        quantities(&model, &rest, &sheet.stations)
    };
    let flat = rest([[0.0; 2]; 2]);
    let raised = rest([[7.0; 2]; 2]);
    for ((_, a), (_, b)) in flat.heights.iter().zip(&raised.heights) {
        near("rise", b.mm() - a.mm(), 7.0, 1e-6);
    }
    // Left wheels up by 7 mm, right ones down: left high.
    let rolled = rest([[7.0, -7.0]; 2]);
    assert!(rolled.roll.deg() > flat.roll.deg() + 0.1);
    // Both wheels of an axle together still carry what they did (statics), up
    // to the little that the weight moves fore and aft when it leans.
    for (a, b) in flat.axles.iter().zip(&rolled.axles) {
        let sum = |x: &[stillheight::quantity::Force; 2]| x[0].n() + x[1].n();
        near("axle load", sum(&b.wheel_loads), sum(&a.wheel_loads), 2.0);
    }
}

/// A sentence says no id: its adapter's serial number finds it in any socket; a
/// device with an id needs neither adapter nor port.
#[test]
fn places_say_how_each_sensor_is_reached() {
    let text = format!(
        "{}\n[[sensor]]\nname = 'heel'\nprotocol = 'xdr'\ntransducer = 'OLD'\nport = '/dev/ttyUSB9'\nreads = 'frame roll'\n\
         [[sensor]]\nname = 'gap'\ndevice = '0x12'\nport = '/dev/ttyUSB8'\nreads = 'frame to floor'\nfrom = ['0 mm', '300 mm', '0 mm']\n",
        include_str!("sheets/valid/least.toml")
    );
    let mut sheet = stillheight::sheet::parse(&text, "van.toml").unwrap().sheet;
    let neighbour = Neighbour::parse(
        "form = 1\n\
         [[place]]\nsensor = 'heel'\nfound = '2026-11-25T10:00:00Z'\ntransducer = 'HEEL'\nusb = '1209:0001'\n\
         usb_serial = 'A1'\nport = '/dev/ttyUSB0'\nbaud = 9600\n\
         [[place]]\nsensor = 'gap'\nfound = '2026-11-25T10:00:00Z'\ndevice = '0x77'\nchannel = 2\n\
         usb = '1209:0001'\nusb_serial = 'B2'\nport = '/dev/ttyUSB1'\n",
        Path::new("van.sensors.toml"),
    )
    .unwrap();
    let usb = neighbour.place_sensors(&mut sheet);
    let serial = |i: usize| usb[i].as_ref().and_then(|u| u.serial.as_deref());
    assert_eq!((serial(0), serial(1)), (Some("A1"), None));
    let heel = &sheet.sensors[0].connection;
    assert_eq!(
        (heel.baud, heel.port.as_deref()),
        (9600, Some("/dev/ttyUSB0"))
    );
    assert_eq!(
        stillheight::drivers::source_of(&heel.protocol).to_string(),
        "HEEL"
    );
    let gap = &sheet.sensors[1].connection;
    assert_eq!(gap.port, None);
    assert_eq!(
        stillheight::drivers::source_of(&gap.protocol).to_string(),
        "0x0000000000000077/2"
    );
}
