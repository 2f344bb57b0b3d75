//! `fanlight desk`: what its page asks, asked without a browser.

use crate::desk_client::{Desk, floats};
use crate::support::{copy_folder, happy, run_in};
use fanlight_image::Image;
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::{Duration, Instant};

/// A desk with the small night, for tests that change nothing.
pub fn desk() -> Desk {
    Desk::open(&happy().folder, &["campaign.toml", "out"])
}

pub fn night_id(desk: &Desk) -> i64 {
    let campaign = desk.get("api/campaign").expect(200).json();
    assert_eq!(campaign["nights"].as_array().map(Vec::len), Some(1), "{campaign}");
    campaign["nights"][0]["id"].as_i64().expect("a number")
}

fn stack(folder: &Path) -> Image {
    let image = fanlight_io::read_image(&folder.join("out/comet.fits")).expect("comet.fits").image;
    let size = (image.width, image.height);
    let mask =
        fanlight_io::read_named_image(&folder.join("out/comet.fits"), &["MASK"], size).expect("MASK").expect("MASK");
    let data = image.data.iter().zip(&mask.image.data).map(|(v, m)| if *m == 0.0 { *v } else { f32::NAN });
    Image { data: data.collect(), ..image }
}

/// Equal, or both missing.
fn same(a: &[f32], b: &[f32], tolerance: f32) -> bool {
    a.len() == b.len()
        && a.iter().zip(b).all(|(a, b)| (a.is_nan() && b.is_nan()) || (a - b).abs() <= tolerance * (1.0 + b.abs()))
}

#[test]
fn who_does_not_know_the_token_or_comes_from_another_page_gets_nothing() {
    let desk = &desk();
    let host = ("host", desk.host.as_str());
    let campaign = format!("{}api/campaign", desk.root);
    desk.ask_raw("GET", "/api/campaign", &[host], b"").expect(404);
    desk.ask_raw("GET", "/", &[host], b"").expect(404);
    desk.ask_raw("GET", "/0000/api/campaign", &[host], b"").expect(404);
    desk.ask_raw("GET", &campaign, &[("host", "desk.example")], b"").expect(403);
    desk.ask_raw("GET", &campaign, &[host, ("origin", "http://desk.example")], b"").expect(403);
    desk.ask_raw("GET", &campaign, &[host, ("sec-fetch-site", "cross-site")], b"").expect(403);
    let answer = desk.ask_raw("GET", &campaign, &[host], b"").expect(200);
    assert!(answer.header("content-security-policy").is_some_and(|p| p.contains("default-src 'self'")));
    assert_eq!(answer.header("referrer-policy"), Some("no-referrer"));
}

#[test]
fn the_page_and_its_files_come_from_the_program() {
    let desk = &desk();
    let page = desk.get("").expect(200);
    assert!(String::from_utf8(page.body).expect("text").contains("<!doctype html>"));
    let mut bytes = 0;
    for name in fanlight_present::desk_page_files() {
        bytes += desk.get(&format!("page/{name}")).expect(200).body.len();
    }
    assert!(bytes < 300 << 10, "the page's own files have {bytes} bytes");
    desk.get("page/no.js").expect(404);
}

#[test]
fn nothing_outside_the_night_is_readable() {
    let folder = tempfile::tempdir().expect("temporary folder");
    copy_folder(&happy().folder, folder.path());
    let light = std::fs::read_to_string(folder.path().join("out/figures/light.svg")).expect("a figure");
    std::fs::write(folder.path().join("secret.svg"), light.replace("the light", "the secret")).expect("a file");
    #[cfg(unix)]
    {
        let figures = folder.path().join("out/figures");
        std::os::unix::fs::symlink(folder.path().join("secret.svg"), figures.join("link.svg")).expect("a link");
        std::os::unix::fs::symlink(folder.path(), figures.join("up")).expect("a link");
    }
    let desk = Desk::open(folder.path(), &["campaign.toml", "out"]);
    let id = night_id(&desk);
    desk.get(&format!("api/nights/{id}/figures/light.svg")).expect(200);
    for name in [
        "..%2Fnight.json",
        "%2e%2e%2fnight.json",
        "..",
        "../night.json",
        "../../campaign.toml",
        "link.svg",
        "up%2Fsecret.svg",
        "up/secret.svg",
        "%2Fetc%2Fpasswd",
        ".hidden.svg",
        "light",
        "light.svg%00",
        "light.svg%2F..%2Flight.svg",
        "no.svg",
    ] {
        let answer = desk.get(&format!("api/nights/{id}/figures/{name}")).expect(404);
        assert!(!String::from_utf8_lossy(&answer.body).contains("the secret"), "{name}");
        desk.get(&format!("api/season/files/{name}")).expect(404);
    }
    let sheet =
        json!({"panels": ["link"], "title": "", "width_px": 800, "columns": 1, "theme": "light", "format": "svg"});
    desk.post(&format!("api/nights/{id}/publish"), &sheet).expect(404);
    #[cfg(unix)]
    {
        let (figures, elsewhere) = (folder.path().join("out/figures"), folder.path().join("elsewhere"));
        std::fs::rename(&figures, &elsewhere).expect("moved");
        std::os::unix::fs::symlink(&elsewhere, &figures).expect("a link");
        desk.get(&format!("api/nights/{id}/figures/light.svg")).expect(404);
    }
    for name in ["..%2Flib.rs", "../src/lib.rs", "%2e%2e", "index.html%00"] {
        desk.get(&format!("page/{name}")).expect(404);
    }
}

#[test]
fn tiles_are_the_stack() {
    let desk = &desk();
    let id = night_id(desk);
    let image = stack(&happy().folder);
    let view = desk.get(&format!("api/nights/{id}/view")).expect(200).json();
    assert_eq!((view["width_px"].as_u64(), view["tile_px"].as_u64()), (Some(image.width as u64), Some(256)));
    let tile = desk.get(&format!("api/nights/{id}/layers/night/0/0/0")).expect(200);
    let (width, height) = (image.width.min(256), image.height.min(256));
    let expected: Vec<f32> = (0..height).flat_map(|y| image.row(y)[..width].to_vec()).collect();
    assert!(same(&floats(&tile.body), &expected, 0.0));
    // the second time it need not come again
    let tag = tile.header("etag").expect("a tag").to_owned();
    let path = format!("api/nights/{id}/layers/night/0/0/0");
    assert_eq!(desk.ask("GET", &path, &[("if-none-match", &tag)], b"").status, 304);
    let packed = desk.ask("GET", &path, &[("accept-encoding", "br, gzip;q=0.5")], b"").expect(200);
    let mut unpacked = Vec::new();
    flate2::read::GzDecoder::new(&packed.body[..]).read_to_end(&mut unpacked).expect("gzip");
    assert_eq!(unpacked, tile.body);
    for wrong in [
        "night/0/9/0",
        "night/9/0/0",
        "night/0/-1/0",
        "nought/0/0/0",
        "night-77/0/0/0",
        "night/0/18446744073709551615/0",
    ] {
        let status = desk.get(&format!("api/nights/{id}/layers/{wrong}")).status;
        assert!(status == 404 || status == 400, "{wrong}: {status}");
    }
    for layer in view["layers"].as_array().expect("layers") {
        desk.get(&format!("api/nights/{id}/layers/{}/0/0/0", layer["name"].as_str().expect("a name"))).expect(200);
    }
}

#[test]
fn what_the_sliders_show_is_what_the_command_writes() {
    let desk = &desk();
    let id = night_id(desk);
    let folder = tempfile::tempdir().expect("temporary folder");
    let comet = happy().folder.join("out/comet.fits");
    let out = folder.path().join("enhanced");
    let arguments = ["enhance", comet.to_str().expect("a path"), "--all", "--out", out.to_str().expect("a path")];
    run_in(folder.path(), &arguments).expect_status(0);
    let size = stack(&happy().folder).width;
    // off the nucleus and over the edge of what it needs
    let (x, y, w, h) = (size / 2 + 7, 11, size / 4, size / 3);
    let methods = desk.get("api/methods").expect(200).json();
    for method in methods.as_array().expect("methods") {
        let name = method["name"].as_str().expect("a name");
        if method["needs_other_night"] == true {
            continue;
        }
        let mut settings = json!({});
        if name == "power-law-division" {
            settings = json!({"annulus_inner": 3.0, "annulus_outer": (0.25 * size as f64)});
        }
        let drawn = json!({"method": name, "settings": settings, "with_twin": true, "patient": true});
        let request = json!({"drawn": drawn, "window": {"x_px": x, "y_px": y, "width_px": w, "height_px": h}});
        let (head, pixels) = desk.post(&format!("api/nights/{id}/enhance"), &request).expect(200).picture();
        assert_eq!(
            (head["width_px"].as_u64(), head["exact"].as_bool(), head["has_twin"].as_bool()),
            (Some(w as u64), Some(true), Some(true)),
            "{name}: {head}"
        );
        for (part, file) in pixels.chunks(w * h).zip([format!("{name}.fits"), format!("{name}-twin.fits")]) {
            let whole = fanlight_io::read_image(&out.join(&file)).expect(&file).image;
            let expected: Vec<f32> = (y..y + h).flat_map(|row| whole.row(row)[x..x + w].to_vec()).collect();
            assert!(same(part, &expected, 1e-5), "{file}");
        }
    }
}

#[test]
fn what_the_data_do_not_allow_is_an_answer_in_words() {
    let desk = &desk();
    let id = night_id(desk);
    desk.get("api/alive").expect(204);
    let size = stack(&happy().folder).width;
    // an annulus in the corners of the picture has too few pixels
    let settings = json!({"annulus_inner": 500.0, "annulus_outer": 2000.0});
    let window = json!({"x_px": 0, "y_px": 0, "width_px": size, "height_px": size});
    let picture = json!({"drawn": {"method": "power-law-division", "settings": settings}, "window": window});
    let map = json!({"drawn": {"method": "power-law-division", "settings": settings}, "inner_arcsec": 4.0, "outer_arcsec": 40.0, "n_pa": 36, "n_rho": 8});
    for (address, request) in [("enhance", &picture), ("unrolled", &map)] {
        let (head, pixels) = desk.post(&format!("api/nights/{id}/{address}"), request).expect(200).picture();
        let words = |key: &str| head[key].as_str().unwrap_or_else(|| panic!("{key}: {head}")).to_owned();
        assert!(pixels.is_empty() && words("refused_because").contains("annulus") && !words("hint").is_empty());
        assert!(!words("refused_because").starts_with('-'), "{head}");
    }
    // a sheet too large to draw
    let panels = desk.get(&format!("api/nights/{id}/panels")).expect(200).json();
    let names: Vec<&Value> = panels.as_array().expect("panels").iter().take(6).map(|p| &p["name"]).collect();
    let sheet =
        json!({"panels": names, "title": "", "width_px": 7680, "columns": 1, "theme": "light", "format": "png"});
    let said = desk.post(&format!("api/nights/{id}/publish"), &sheet).expect(200).json();
    assert!(said["refused_because"].as_str().is_some_and(|s| s.contains("million pixels")), "{said}");
}

/// The small night with every pixel twice along each axis: large enough for a coarser level.
fn enlarged(to: &Path) {
    let from = happy().folder.join("out");
    let mut record: Value =
        serde_json::from_slice(&std::fs::read(from.join("night.json")).expect("night.json")).expect("JSON");
    let image = stack(&happy().folder);
    let (width, height) = (2 * image.width, 2 * image.height);
    let data = (0..width * height).map(|i| image.at(i % width / 2, i / width / 2)).collect();
    let image = Image { width, height, data };
    std::fs::create_dir_all(to).expect("a folder");
    let hdu = fanlight_io::HduOut::new("COMET", fanlight_io::HduData::F32(&image));
    fanlight_io::write_fits(&to.join("comet.fits"), &[hdu]).expect("comet.fits");
    let stack = &mut record["stack"];
    (stack["width_px"], stack["height_px"], stack["substacks"]) = (json!(width), json!(height), json!([]));
    for axis in ["centre_x_px", "centre_y_px"] {
        stack[axis] = json!(2.0 * (stack[axis].as_f64().expect("a number") + 0.5) - 0.5);
    }
    for i in 0..4 {
        let cell = &mut stack["arcsec_per_px"][i / 2][i % 2];
        *cell = json!(cell.as_f64().expect("a number") / 2.0);
    }
    std::fs::write(to.join("night.json"), record.to_string()).expect("night.json");
}

#[test]
fn a_coarser_level_shows_what_the_finer_one_does() {
    let folder = tempfile::tempdir().expect("temporary folder");
    std::fs::copy(happy().folder.join("campaign.toml"), folder.path().join("campaign.toml")).expect("campaign");
    enlarged(&folder.path().join("large"));
    let desk = Desk::open(folder.path(), &["campaign.toml", "large"]);
    let id = night_id(&desk);
    let image = stack(&happy().folder);
    let (width, height) = (2 * image.width, 2 * image.height);
    for method in [
        "rotational-gradient",
        "azimuthal-division",
        "azimuthal-subtraction",
        "inverse-radius",
        "laplacian",
        "unsharp-ratio",
        "multi-scale",
        "variable-high-pass",
    ] {
        let of = |level: usize| {
            let window = json!({"x_px": 0, "y_px": 0, "width_px": width, "height_px": height});
            // wide enough for both levels
            let settings = match method {
                "laplacian" | "unsharp-ratio" => json!({"scale": 8.0}),
                "multi-scale" => json!({"first_scale": 4.0}),
                "variable-high-pass" => json!({"base": 6.0}),
                "azimuthal-division" | "azimuthal-subtraction" => json!({"ring": 4.0}),
                _ => json!({}),
            };
            let request = json!({"drawn": {"method": method, "settings": settings, "patient": true}, "window": window, "level": level});
            desk.post(&format!("api/nights/{id}/enhance"), &request).expect(200).picture()
        };
        let ((_, fine), (head, coarse)) = (of(0), of(1));
        assert_eq!(
            (head["level"].as_u64(), head["width_px"].as_u64(), head["exact"].as_bool()),
            (Some(1), Some(image.width as u64), Some(true)),
            "{method}"
        );
        // means of the fine one's blocks against the coarse one, away from the nucleus and the edge
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        let (cx, cy) = (image.width as f64 / 2.0, image.height as f64 / 2.0);
        for (i, value) in coarse.iter().enumerate() {
            let (x, y) = (i % image.width, i / image.width);
            let rho = (x as f64 - cx).hypot(y as f64 - cy);
            let block: f32 = [(0, 0), (1, 0), (0, 1), (1, 1)]
                .iter()
                .map(|(dx, dy)| fine[(2 * y + dy) * width + 2 * x + dx])
                .sum::<f32>()
                / 4.0;
            if rho > 8.0 && rho < 60.0 && value.is_finite() && block.is_finite() {
                let neutral = if method.ends_with("division") || method.ends_with("ratio") { 1.0 } else { 0.0 };
                let (a, b) = (f64::from(block) - neutral, f64::from(*value) - neutral);
                (xx, xy, yy) = (xx + a * a, xy + a * b, yy + b * b);
            }
        }
        let (slope, alike) = (xy / xx, xy / (xx * yy).sqrt());
        assert!((slope - 1.0).abs() < 0.1 && alike > 0.95, "{method}: slope {slope:.3}, correlation {alike:.3}");
    }
}

#[test]
fn unrolled_a_source_in_the_east_is_at_90_degrees() {
    let desk = &desk();
    let id = night_id(desk);
    let view = desk.get(&format!("api/nights/{id}/view")).expect(200).json();
    let image = stack(&happy().folder);
    let request = json!({"inner_arcsec": 10.0, "outer_arcsec": 40.0, "n_pa": 4 * 90, "n_rho": 30, "log_rho": false, "drawn": {"patient": true}});
    let (head, map) = desk.post(&format!("api/nights/{id}/unrolled"), &request).expect(200).picture();
    assert_eq!((head["width_px"].as_u64(), head["height_px"].as_u64()), (Some(360), Some(30)));
    let number = |key: &str| view[key].as_f64().expect("a number");
    let m: Vec<f64> = view["arcsec_per_px"]
        .as_array()
        .expect("rows")
        .iter()
        .flat_map(|r| r.as_array().expect("a row").iter().map(|v| v.as_f64().expect("a number")))
        .collect();
    let det = m[0] * m[3] - m[1] * m[2];
    for (i, rho) in [(0_usize, 15.5), (90, 20.5), (200, 33.5)] {
        let pa = (i as f64 + 0.5).to_radians();
        let (east, north) = (rho * pa.sin(), rho * pa.cos());
        let x = number("centre_x_px") + (m[3] * east - m[1] * north) / det;
        let y = number("centre_y_px") + (m[0] * north - m[2] * east) / det;
        let expected = fanlight_image::polar::sample_bilinear(&image, x, y).expect("a pixel");
        let found = map[((rho - 10.0) as usize) * 360 + i];
        assert!((found - expected).abs() < 1e-4 * (1.0 + expected.abs()), "{i} {rho}: {found} {expected}");
    }
}

#[test]
fn a_night_is_measured_again_without_a_frame_and_with_it() {
    let folder = tempfile::tempdir().expect("temporary folder");
    copy_folder(&happy().folder, folder.path());
    let desk = Desk::open(folder.path(), &["campaign.toml", "out"]);
    let id = night_id(&desk);
    let call = desk.get(&format!("api/nights/{id}/call")).expect(200).json();
    assert_eq!(
        (call["can_repeat"].as_bool(), call["left_out_by_hand"].as_array().map(Vec::len)),
        (Some(true), Some(0)),
        "{call}"
    );
    let frame = desk.get(&format!("api/nights/{id}/record")).expect(200).json()["frames"][2]["file"].clone();
    desk.post("api/jobs", &json!({"kind": "night", "night": id, "leave_out": ["no-such-frame.fits"]})).expect(400);
    let run = |leave_out: Value| {
        let job = desk
            .post("api/jobs", &json!({"kind": "night", "night": id, "leave_out": leave_out}))
            .expect(201)
            .json()["id"]
            .as_u64();
        let job = job.expect("a number");
        desk.post("api/jobs", &json!({"kind": "season"})).expect(409);
        (job, desk.wait_for(job))
    };
    let used = |desk: &Desk| {
        // measured again it may have another number: the ledger's
        let id = night_id(desk);
        let record = desk.get(&format!("api/nights/{id}/record")).expect(200).json();
        let frame = record["frames"]
            .as_array()
            .expect("frames")
            .iter()
            .find(|f| f["file"] == frame)
            .expect("the frame")
            .clone();
        (frame["used"] == true, frame["rejected_because"].as_str().map(str::to_owned))
    };
    assert!(used(&desk).0);
    let (_, ended) = run(json!([frame]));
    assert_eq!(ended["state"], "done", "{ended}");
    assert!(ended["message"].as_str().is_some_and(|m| m.contains("magnitude")), "{ended}");
    let (is_used, reason) = used(&desk);
    assert!(!is_used && reason.is_some(), "{reason:?}");
    let (job, ended) = run(json!([]));
    assert_eq!(ended["state"], "done", "{ended}");
    assert!(used(&desk).0);
    desk.ask("DELETE", &format!("api/jobs/{job}"), &[], b"").expect(409);
    desk.ask("DELETE", "api/jobs/77", &[], b"").expect(404);
    assert_eq!(desk.get("api/jobs").expect(200).json().as_array().map(Vec::len), Some(2));
}

#[test]
fn a_run_that_is_cancelled_leaves_the_night_as_it_was() {
    let folder = tempfile::tempdir().expect("temporary folder");
    copy_folder(&happy().folder, folder.path());
    let before = std::fs::read(folder.path().join("out/night.json")).expect("night.json");
    let desk = Desk::open(folder.path(), &["campaign.toml", "out"]);
    let id = night_id(&desk);
    let frame = desk.get(&format!("api/nights/{id}/record")).expect(200).json()["frames"][1]["file"].clone();
    let job =
        desk.post("api/jobs", &json!({"kind": "night", "night": id, "leave_out": [frame]})).expect(201).json()["id"]
            .as_u64()
            .expect("a number");
    desk.ask("DELETE", &format!("api/jobs/{job}"), &[], b"").expect_status_only(202);
    let ended = desk.wait_for(job);
    assert_eq!(ended["state"], "cancelled", "{ended}");
    assert_eq!(std::fs::read(folder.path().join("out/night.json")).expect("night.json"), before);
    // once it writes it goes to its end, and is there whole
    let job =
        desk.post("api/jobs", &json!({"kind": "night", "night": id, "leave_out": [frame]})).expect(201).json()["id"]
            .as_u64()
            .expect("a number");
    let record = folder.path().join("out/night.json");
    let start = Instant::now();
    while record.is_file() && start.elapsed() < Duration::from_secs(100) {
        std::thread::sleep(Duration::from_millis(1));
    }
    // it may have ended meanwhile
    let stopped = desk.ask("DELETE", &format!("api/jobs/{job}"), &[], b"").status;
    assert!(stopped == 202 || stopped == 409, "{stopped}");
    let ended = desk.wait_for(job);
    assert_eq!(ended["state"], "done", "{ended}");
    let id = night_id(&desk);
    assert_eq!(desk.get(&format!("api/nights/{id}/call")).expect(200).json()["left_out_by_hand"], json!([frame]));
    desk.get(&format!("api/nights/{id}/view")).expect(200);
    // and the next one has the machine
    let job = desk.post("api/jobs", &json!({"kind": "season", "nights": [id]})).expect(201).json()["id"]
        .as_u64()
        .expect("a number");
    let ended = desk.wait_for(job);
    assert_eq!(ended["state"], "done", "{ended}");
    let season = desk.get("api/season").expect(200).json();
    assert_eq!((season["is_there"].as_bool(), season["is_stale"].as_bool()), (Some(true), Some(false)), "{season}");
    desk.get("api/season/files/season.html").expect(200);
    let figure = season["figures"][0]["name"].as_str().expect("a figure");
    desk.get(&format!("api/season/figures/{figure}.svg")).expect(200);
}

#[test]
fn a_sheet_has_the_panels_and_says_where_it_comes_from() {
    let desk = &desk();
    let id = night_id(desk);
    let panels = desk.get(&format!("api/nights/{id}/panels")).expect(200).json();
    assert!(panels.as_array().is_some_and(|p| p.iter().any(|p| p["name"] == "light")), "{panels}");
    let of = |panels: Value, format: &str| {
        let request = json!({"panels": panels, "title": "The <comet>", "words": "Seen.", "width_px": 800, "columns": 2, "theme": "light", "format": format});
        desk.post(&format!("api/nights/{id}/publish"), &request)
    };
    let svg = String::from_utf8(of(json!(["light", "profile"]), "svg").expect(200).body).expect("text");
    assert!(
        svg.contains("The &lt;comet&gt;") && svg.contains("Simulated frames.") && svg.matches("<svg ").count() == 3
    );
    let png = of(json!(["light"]), "png").expect(200).body;
    assert_eq!((&png[1..4], &png[16..20]), (&b"PNG"[..], &800_u32.to_be_bytes()[..]));
    of(json!([]), "svg").expect(400);
    of(json!(["../light"]), "svg").expect(400);
    let caption = desk.get(&format!("api/nights/{id}/caption")).expect(200).json();
    assert!(caption["text"].as_str().is_some_and(|t| t.contains("simulated")));
    let ades = desk.get(&format!("api/nights/{id}/ades?format=psv&positions=night")).expect(422).json();
    assert!(ades["error"].as_str().is_some_and(|e| e.contains("simulated")), "{ades}");
    let check = desk.get(&format!("api/nights/{id}/ades/check?format=psv&positions=night")).expect(200).json();
    assert_eq!(check["refused_because"], ades["error"]);
    desk.get(&format!("api/nights/{id}/ades?format=doc")).expect(400);
    desk.get(&format!("api/nights/{id}/page")).expect(200);
}

#[test]
fn a_sector_measured_by_hand_is_kept_undone_and_brought_back() {
    let folder = tempfile::tempdir().expect("temporary folder");
    copy_folder(&happy().folder, folder.path());
    // a night that no ledger has yet
    std::fs::remove_file(folder.path().join("campaign.ledger.sqlite")).expect("a ledger");
    let desk = Desk::open(folder.path(), &["campaign.toml", "out"]);
    let id = night_id(&desk);
    let sector = json!({"pa_deg": -40.0, "width_deg": 40.0, "inner_arcsec": 12.0, "outer_arcsec": 40.0});
    let answer = desk.post(&format!("api/nights/{id}/sector"), &sector).expect(200).json();
    let found = &answer["measured"];
    let number = |key: &str| found[key].as_f64().unwrap_or_else(|| panic!("{key}: {found}"));
    assert_eq!(number("pa_deg"), 320.0);
    assert!(number("contrast_err") > 0.0 && number("probability_by_eye") >= number("probability_alone"));
    assert!(found["explanation"].as_str().is_some_and(|e| e.contains("weaker")));
    assert_eq!(desk.get(&format!("api/nights/{id}/measurements")).expect(200).json(), json!([]));
    let mut kept = sector.clone();
    kept["person"] = json!(" B. Tester ");
    let row = desk.post(&format!("api/nights/{id}/measurements"), &kept).expect(201).json();
    assert_eq!(
        (&row["person"], &row["contrast"], &row["undone_utc"]),
        (&json!("B. Tester"), &found["contrast"], &Value::Null)
    );
    // the night has come into the ledger, and answers to the number that it had before
    assert!(folder.path().join("campaign.ledger.sqlite").is_file());
    assert_ne!(night_id(&desk), id);
    let rows = || desk.get(&format!("api/nights/{id}/measurements")).expect(200).json();
    assert_eq!(rows(), json!([row]));
    let measurement = row["id"].as_i64().expect("a number");
    desk.ask("DELETE", &format!("api/measurements/{measurement}"), &[], b"").expect(200);
    assert!(rows()[0]["undone_utc"].is_string());
    desk.ask("POST", &format!("api/measurements/{measurement}/restore"), &[], b"").expect(200);
    assert_eq!(rows(), json!([row]));
    // another desk sees it; it is there when this one is gone
    drop(desk);
    let desk = Desk::open(folder.path(), &["campaign.toml"]);
    let id = night_id(&desk);
    assert_eq!(desk.get(&format!("api/nights/{id}/measurements")).expect(200).json(), json!([row]));
    desk.ask("DELETE", "api/measurements/77", &[], b"").expect(404);
    kept["person"] = json!("  ");
    desk.post(&format!("api/nights/{id}/measurements"), &kept).expect(400);
    for (key, wrong) in [("width_deg", json!(400.0)), ("inner_arcsec", json!(9e9)), ("outer_arcsec", json!("far"))] {
        let mut sector = sector.clone();
        sector[key] = wrong;
        let answer = desk.post(&format!("api/nights/{id}/sector"), &sector);
        match sector["outer_arcsec"].is_string() {
            true => answer.expect_status_only(422),
            false => assert!(answer.expect(200).json()["refused_because"].is_string(), "{sector}"),
        }
        // and what cannot be measured is not kept
        sector["person"] = json!("B. Tester");
        let kept = desk.post(&format!("api/nights/{id}/measurements"), &sector);
        match sector["outer_arcsec"].is_string() {
            true => kept.expect_status_only(422),
            false => assert!(kept.expect(200).json()["refused_because"].is_string(), "{sector}"),
        }
    }
}

#[test]
fn a_ledger_that_cannot_be_written_is_said_in_words() {
    let folder = tempfile::tempdir().expect("temporary folder");
    copy_folder(&happy().folder, folder.path());
    let desk = Desk::open(folder.path(), &["campaign.toml"]);
    let id = night_id(&desk);
    std::fs::write(folder.path().join("campaign.ledger.sqlite"), b"no ledger any more, but a text of some length")
        .expect("written");
    let kept =
        json!({"person": "B. Tester", "pa_deg": 40.0, "width_deg": 40.0, "inner_arcsec": 12.0, "outer_arcsec": 40.0});
    let refused = desk.post(&format!("api/nights/{id}/measurements"), &kept).expect(503).json();
    assert!(refused["error"].as_str().is_some_and(|e| e.contains("campaign.ledger.sqlite")), "{refused}");
    // and takes no night off the desk
    let campaign = desk.get("api/campaign").expect(200).json();
    assert_eq!(
        (campaign["nights"][0]["id"].as_i64(), campaign["problems"].as_array().map(Vec::len)),
        (Some(id), Some(1)),
        "{campaign}"
    );
    desk.get(&format!("api/nights/{id}/layers/night/0/0/0")).expect(200);
}

#[test]
fn wrong_requests_are_refused_in_words() {
    let desk = &desk();
    let id = night_id(desk);
    let window = json!({"x_px": 0, "y_px": 0, "width_px": 20, "height_px": 20});
    let enhance = |body: Value| desk.post(&format!("api/nights/{id}/enhance"), &body);
    for (body, status) in [
        (json!({"window": window, "drawn": {"method": "sharpen"}}), 400),
        (json!({"window": window, "drawn": {"method": "laplacian", "settings": {"rotation_deg": 3}}}), 400),
        (json!({"window": window, "drawn": {"method": "laplacian", "settings": {"scale": -3}}}), 400),
        (json!({"window": window, "drawn": {"method": "laplacian", "settings": {"scale": "wide"}}}), 400),
        (json!({"window": window, "drawn": {"method": "temporal-ratio"}}), 400),
        (json!({"window": window, "drawn": {"method": "laplacian", "against": 1}}), 400),
        (json!({"window": window, "drawn": {"settings": {"scale": 3}}}), 400),
        (json!({"window": {"x_px": 0, "y_px": 0, "width_px": 0, "height_px": 20}}), 400),
        (json!({"window": {"x_px": 5, "y_px": 0, "width_px": u64::MAX, "height_px": 20}}), 400),
        (json!({"window": {"x_px": 99_999, "y_px": 0, "width_px": 20, "height_px": 20}}), 400),
        (json!({"window": window, "level": 40}), 400),
        (json!({"window": window, "drawn": {"centre_dx_px": 1e9}}), 400),
        (json!({"window": window, "drawn": {"layer": "nought"}}), 404),
        (json!({"drawn": {"method": "laplacian"}}), 422),
        (json!([]), 422),
    ] {
        let answer = enhance(body.clone());
        assert_eq!(answer.status, status, "{body}: {}", String::from_utf8_lossy(&answer.body));
        answer.expect(status);
    }
    let unrolled = |body: Value| desk.post(&format!("api/nights/{id}/unrolled"), &body);
    unrolled(json!({"inner_arcsec": 5.0, "outer_arcsec": 1.0, "n_pa": 90, "n_rho": 20})).expect(400);
    unrolled(json!({"inner_arcsec": 0.0, "outer_arcsec": 10.0, "n_pa": 90, "n_rho": 20, "log_rho": true})).expect(400);
    unrolled(json!({"inner_arcsec": 0.0, "outer_arcsec": 10.0, "n_pa": 90_000, "n_rho": 20})).expect(400);
    desk.ask("POST", &format!("api/nights/{id}/enhance"), &[("content-type", "application/json")], b"{\"window\"")
        .expect(400);
    desk.ask("POST", &format!("api/nights/{id}/enhance"), &[("content-type", "text/plain")], b"{}").expect(415);
    desk.ask(
        "POST",
        &format!("api/nights/{id}/enhance"),
        &[("content-type", "application/json")],
        &vec![b' '; 100 << 10],
    )
    .expect_status_only(413);
    desk.get("api/nights/12345/view").expect(404);
    desk.get("api/nights/one/view").expect(400);
    desk.get("api/nothing").expect(404);
    desk.ask("DELETE", "api/campaign", &[], b"").expect(405);
}

#[test]
fn two_desks_share_a_campaign_and_a_slow_caller_is_let_go() {
    let first = &desk();
    let second = Desk::open(&happy().folder, &["campaign.toml", "out"]);
    assert_ne!((&first.host, &first.root), (&second.host, &second.root));
    assert_eq!(night_id(&second), night_id(first));
    let start = Instant::now();
    // one that says something and one that says nothing: an answer or none, the connection ends
    let slow = [&b"GET / HTTP/1.1\r\nhost: "[..], b""].map(|words| {
        let mut slow = TcpStream::connect(&second.host).expect("a connection");
        slow.write_all(words).expect("written");
        slow.set_read_timeout(Some(Duration::from_secs(60))).expect("a timeout");
        slow
    });
    for mut slow in slow {
        let mut rest = Vec::new();
        slow.read_to_end(&mut rest).ok();
        assert!(start.elapsed() < Duration::from_secs(30), "{:?}", start.elapsed());
    }
}

#[test]
fn wrong_calls() {
    let folder = tempfile::tempdir().expect("temporary folder");
    std::fs::copy(happy().folder.join("campaign.toml"), folder.path().join("campaign.toml")).expect("campaign");
    let run = |arguments: &[&str]| run_in(folder.path(), &[&["desk"], arguments].concat());
    run(&["no.toml"]).expect_status(2);
    run(&["campaign.toml"]).expect_status(2).expect_stderr(&["there is no night to lay on the desk", "ledger"]);
    run(&["campaign.toml", "nowhere"]).expect_status(2).expect_stderr(&["nowhere"]);
    run(&["campaign.toml", "--ledger", "no.sqlite"]).expect_status(2).expect_stderr(&["no.sqlite"]);
    let out = happy().folder.join("out");
    run(&["campaign.toml", out.to_str().expect("a path"), "--listen", "203.0.113.7"])
        .expect_status(1)
        .expect_stderr(&["203.0.113.7"]);
}
