//! Record cards and compared prints, as files that other programs open.

use std::path::{Path, PathBuf};
use std::process::Command;

use frameside_tests::needs::{need, program, reference_python};
use frameside_tests::{Site, repository};
use image::imageops::thumbnail;
use image::{GrayImage, ImageReader};

use crate::yard::{expose, ok, refused, site, wait_for_frame};

/// A site whose record holds a print of `oak` with all that can be said of one, and one of
/// `elm`; and their names.
fn with_two_prints() -> (Site, String, String) {
    let site = site(60, None);
    let daemon = site.run();
    ok(&site.frameside([
        "recipe",
        "add",
        "citrate",
        "--sensitizer",
        "citrate 2:1",
        "--support",
        "rag & linen",
    ]));
    let oak = ["expose", "oak", "--target", "600J/m2", "--recipe", "citrate", "--negative", "boats <3>"];
    let oak = ok(&site.frameside(oak)).lines().next().unwrap().to_owned();
    let elm = expose(&site, "elm", "300J/m2");
    for (frame, print) in [("oak", &oak), ("elm", &elm)] {
        wait_for_frame(&site, frame, "due", |status| status["state"] == "due");
        ok(&site.frameside(["bring-in", frame]));
        ok(&site.frameside(["note", print, "three changes of water", "--step", "rinse"]));
    }
    ok(&site.frameside(["judge", &oak, "--off", "+1/3stop", "--dry", "--oxidised"]));
    assert!(daemon.terminate().success());
    (site, oak, elm)
}

/// Draws into a file of each kind; gives the files.
fn drawn(site: &Site, arguments: &[&str], option: &str, name: &str) -> [PathBuf; 3] {
    ["svg", "png", "pdf"].map(|ending| {
        let file = site.path(&format!("{name}.{ending}"));
        let said = ok(&site.frameside(arguments.iter().chain(&[option, file.to_str().unwrap()])));
        assert!(said.ends_with(&format!("drawn: {}\n", file.display())), "{said}");
        file
    })
}

/// The texts of an SVG, by an XML reader that is not ours, one a line.
fn texts(svg: &Path) -> Option<Vec<String>> {
    let script = repository().join("tests/reference/svg_texts.py");
    let read = Command::new(reference_python()?).arg(script).arg(svg).output().unwrap();
    assert!(read.status.success(), "{}", String::from_utf8_lossy(&read.stderr));
    Some(String::from_utf8(read.stdout).unwrap().lines().map(Into::into).collect())
}

/// The picture small enough that a line is a shade, and not in this place or that.
fn shades(png: &Path) -> GrayImage {
    let picture = ImageReader::open(png).unwrap().decode().unwrap().into_luma8();
    assert!(picture.width() >= 1200, "{}", picture.width());
    thumbnail(&picture, 48, 48 * picture.height() / picture.width())
}

/// A PDF is one page of A4's width with the picture of the PNG, by a reader that is not ours.
fn assert_same_page(pdf: &Path, png: &Path) {
    let Some(reader) = need(program("pdftoppm"), "pdftoppm", "apt install poppler-utils") else { return };
    let folder = tempfile::tempdir().unwrap();
    let read = Command::new(reader)
        .args(["-r", "150", "-png"])
        .arg(pdf)
        .arg(folder.path().join("page"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&read.stderr);
    assert!(read.status.success() && said.is_empty(), "{said}");
    let pages: Vec<PathBuf> =
        std::fs::read_dir(folder.path()).unwrap().map(|page| page.unwrap().path()).collect();
    let [page] = &pages[..] else { panic!("{pages:?}") };
    let (page, picture) = (shades(page), shades(png));
    assert_eq!(page.dimensions(), picture.dimensions());
    let worst = page.iter().zip(picture.iter()).map(|(a, b)| a.abs_diff(*b)).max().unwrap();
    assert!(worst < 25, "a shade is off by {worst} of 255");
    assert!(picture.iter().any(|&shade| shade < 200), "there is nothing on the page");
}

#[test]
fn a_record_card_opens_everywhere_and_says_what_is_known() {
    let (site, oak, _) = with_two_prints();
    let [svg, png, pdf] = drawn(&site, &["show", &oak], "--card", "card");
    assert_same_page(&pdf, &png);
    let Some(texts) = texts(&svg) else { return };
    let said = texts.join("\n");
    for told in [
        &format!("Print {oak}"),
        "Recipe citrate, version 1",
        "citrate 2:1",
        "rag & linen",
        "boats <3>",
        "oak, glass 100 %",
        "0.60 kJ/m²",
    ] {
        assert!(texts.iter().any(|text| text == told), "no '{told}' in\n{said}");
    }
    assert!(
        said.contains("three changes of water") && said.contains("too light, it wanted +0.33 stops"),
        "{said}"
    );
}

#[test]
fn compared_prints_open_everywhere_and_are_named() {
    let (site, oak, elm) = with_two_prints();
    let [svg, png, pdf] = drawn(&site, &["show", &oak, "--with", &elm], "--chart", "both");
    assert_same_page(&pdf, &png);
    if let Some(texts) = texts(&svg) {
        for told in [
            "Prints compared",
            &oak,
            &elm,
            &format!("{oak}: frame oak, target 0.60 kJ/m², citrate"),
            &format!("{elm}: frame elm, target 0.30 kJ/m²"),
        ] {
            assert!(texts.iter().any(|text| text == told), "no '{told}' in\n{}", texts.join("\n"));
        }
    }

    let (code, said) = refused(&site.frameside(["show", &oak, "--with", &elm]));
    assert!(code == 2 && said.contains("--chart"), "{said}");
    let many: Vec<&str> = [["--with", &elm]; 6].concat();
    let chart = site.path("many.svg");
    let (code, said) =
        refused(&site.frameside(["show", &oak, "--chart", chart.to_str().unwrap()].iter().chain(&many)));
    assert_eq!((code, said.as_str()), (2, "--with takes at most 5 prints; more lines look alike"));
    let gif = site.path("card.gif");
    let (code, said) = refused(&site.frameside(["show", &oak, "--card", gif.to_str().unwrap()]));
    assert!(code == 2 && said.contains(".svg, .png or .pdf") && !gif.exists(), "{said}");
}
