//! NMEA 0183 transducer sentences.

use super::*;

/// One value as the sentence says it: name, number and unit.
type Said<'a> = (&'a str, f64, char);

fn said(line: &str) -> (Vec<(String, f64, SampleKind)>, Vec<Why>) {
    let mut xdr = Xdr::new();
    let out = heard(&mut xdr, format!("{line}\r\n").as_bytes());
    let values = samples(&out)
        .iter()
        .map(|sample| {
            let Source::Named(name) = &sample.source else {
                panic!("{sample:?}");
            };
            (name.to_string(), sample.value, sample.kind)
        })
        .collect();
    (values, rejections(&out))
}

/// Source: sentences published in the documentation, driver comments and
/// test logs of the gpsd project (the HC, AP and first II ones), in the
/// README of a sensor bridge (BB) and in comments of parsers (the others);
/// every checksum computed again apart from this code.
#[test]
fn published_sentences() {
    let table: &[(&str, &[Said], &[Why])] = &[
        (
            "$HCXDR,A,171,D,PITCH,A,-37,D,ROLL,G,367,,MAGX,G,2420,,MAGY,G,-8984,,MAGZ*41",
            &[("PITCH", 171.0, 'D'), ("ROLL", -37.0, 'D')],
            &[],
        ),
        (
            "$HCXDR,A,177,D,PITCH,A,-40,D,ROLL,G,358,,MAGX,G,2432,,MAGY,G,-8974,,MAGZ*47",
            &[("PITCH", 177.0, 'D'), ("ROLL", -40.0, 'D')],
            &[],
        ),
        ("$APXDR,A,0.135,D,PTCH*7C", &[("PTCH", 0.135, 'D')], &[]),
        ("$APXDR,A,3.861,D,ROLL*65", &[("ROLL", 3.861, 'D')], &[]),
        ("$APXDR,A,0.144,D,PTCH*7A", &[("PTCH", 0.144, 'D')], &[]),
        ("$APXDR,A,0.138,D,PTCH*71", &[("PTCH", 0.138, 'D')], &[]),
        (
            "$IIXDR,C,,C,AIRTEMP,A,-3.0,D,HEEL,A,3.7,D,TRIM,P,,B,BARO,A,-4.2,D,RUDDER*28",
            &[
                ("HEEL", -3.0, 'D'),
                ("TRIM", 3.7, 'D'),
                ("RUDDER", -4.2, 'D'),
            ],
            &[],
        ),
        (
            "$IIXDR,C,,C,AIRTEMP,A,4.5,D,HEEL,A,3.7,D,TRIM,P,,B,BARO,A,-1.8,D,RUDDER*08",
            &[
                ("HEEL", 4.5, 'D'),
                ("TRIM", 3.7, 'D'),
                ("RUDDER", -1.8, 'D'),
            ],
            &[],
        ),
        ("$SDXDR,C,23.15,C,WTHI*70", &[], &[]),
        (
            "$IIXDR,A,0.9,D,PTCH,A,0.8,D,ROLL*5D",
            &[("PTCH", 0.9, 'D'), ("ROLL", 0.8, 'D')],
            &[],
        ),
        ("$IIXDR,A,-16.9,D,PTCH*79", &[("PTCH", -16.9, 'D')], &[]),
        ("$IIXDR,A,15.4,D,ROLL*48", &[("ROLL", 15.4, 'D')], &[]),
        ("$IIXDR,D,0.0000,M,DRT1*2A", &[("DRT1", 0.0, 'M')], &[]),
        (
            "$BBXDR,D,0.2410,M,RANGE_VL53L0X*66",
            &[("RANGE_VL53L0X", 0.241, 'M')],
            &[],
        ),
        (
            "$BBXDR,D,0.2430,M,RANGE_VL53L0X*64",
            &[("RANGE_VL53L0X", 0.243, 'M')],
            &[],
        ),
        // Lower-case hex is right; the unit is not one of the standard.
        ("$IIXDR,A,7.8,L,ROLL*7f", &[], &[Why::UnknownUnit]),
        // Another sentence, rightly checked.
        ("$GPZDA,160012.71,11,03,2004,-1,00*7D", &[], &[]),
        // Published with wrong checksums: 11 and 4D would be right.
        ("$IIXDR,A,-1,D,PITCH*10", &[], &[Why::BadCheck]),
        ("$IIXDR,A,20,D,HEEL*7D", &[], &[Why::BadCheck]),
        ("$IIXDR,A,-1,D,PITCH*11", &[("PITCH", -1.0, 'D')], &[]),
        ("$IIXDR,A,20,D,HEEL*4D", &[("HEEL", 20.0, 'D')], &[]),
        ("$IIXDR,D,0.1850,M,FLH*17", &[("FLH", 0.185, 'M')], &[]),
    ];
    for (line, values, rejected) in table {
        let (found, why) = said(line);
        assert_eq!(why, *rejected, "{line}");
        assert_eq!(found.len(), values.len(), "{line}");
        for ((name, value, kind), (expected_name, expected, unit)) in found.iter().zip(*values) {
            assert_eq!(name, expected_name, "{line}");
            let (si, due) = match unit {
                'D' => (expected.to_radians(), SampleKind::Angle),
                _ => (*expected, SampleKind::Distance),
            };
            close(*value, si);
            assert_eq!(*kind, due);
        }
    }
}

fn checked(body: &str) -> String {
    let sum = body.bytes().fold(0, |sum, byte| sum ^ byte);
    format!("${body}*{sum:02X}")
}

#[test]
fn what_is_not_a_value_is_rejected_by_reason() {
    for (line, why) in [
        (checked("IIXDR,A,,D,HEEL"), Why::EmptyValue),
        (checked("IIXDR,A,nan,D,HEEL"), Why::BadNumber),
        (checked("IIXDR,A,inf,D,HEEL"), Why::BadNumber),
        (checked("IIXDR,A,1e300,D,HEEL"), Why::BadNumber),
        (checked("IIXDR,A,1.2.3,D,HEEL"), Why::BadNumber),
        (checked("IIXDR,A,361,D,HEEL"), Why::OutsideSense),
        (checked("IIXDR,D,99999,M,H"), Why::OutsideSense),
        (checked("IIXDR,D,1.0,F,H"), Why::UnknownUnit),
        (checked("IIXDR,D,1.0,M,"), Why::BadField),
        (checked("IIXDR,A,1,D"), Why::WrongLength),
        (checked("IIXDR,A,1,D,HEEL,A"), Why::WrongLength),
        (checked("IIXDR"), Why::WrongLength),
        ("$IIXDR,A,1,D,HEEL".into(), Why::NoCheck),
        ("$IIXDR,A,1,D,HEEL*".into(), Why::BadCheck),
        ("$IIXDR,A,1,D,HEEL*4".into(), Why::BadCheck),
        ("$IIXDR,A,1,D,HEEL*4G".into(), Why::BadCheck),
        ("$IIXDR,A,1,D,HEEL*+4".into(), Why::BadCheck),
        ("hello".into(), Why::OtherForm),
    ] {
        let (values, found) = said(&line);
        assert_eq!(found, [why], "{line}");
        assert!(values.is_empty(), "{line}");
    }
    let mut xdr = Xdr::new();
    assert_eq!(
        rejections(&heard(&mut xdr, b"\xFF\x80\x00rubbish\n")),
        [Why::NotText]
    );
}

#[test]
fn the_temperature_of_a_sentence_goes_with_its_values() {
    let line = checked("IIXDR,A,1.5,D,HEEL,C,21.5,C,T1");
    let mut xdr = Xdr::new();
    let out = heard(&mut xdr, format!("{line}\n").as_bytes());
    assert!((samples(&out)[0].temperature_c.unwrap() - 21.5).abs() < 1e-12);
}

#[test]
fn a_torn_sentence_does_not_take_the_next_one_with_it() {
    let good = checked("IIXDR,A,1.5,D,HEEL");
    let mut xdr = Xdr::new();
    let out = heard(&mut xdr, format!("$IIXDR,A,1.{good}\r\n").as_bytes());
    assert_eq!(rejections(&out), [Why::NoCheck]);
    assert_eq!(samples(&out).len(), 1);
}

#[test]
fn forty_quadruplets_and_more_than_the_standards_length() {
    let mut body = "IIXDR".to_owned();
    for i in 0..40 {
        write!(body, ",A,{i},D,N{i}").unwrap();
    }
    let line = checked(&body);
    assert!(line.len() > 82);
    assert_eq!(said(&line).0.len(), 40);
}
