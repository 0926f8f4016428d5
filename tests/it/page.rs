//! The report in a browser: `SKYGRAIN_CHROMEDRIVER` names the driver and `SKYGRAIN_AXE` the script of axe-core; without
//! them these tests say that they were skipped. Screenshots go to `skygrain-page` in the folder for temporary files.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use base64::Engine as _;
use serde_json::{Value, json};

use crate::command_line::skygrain;
use crate::raw_fits::*;

/// The most that a page of 300 frames may weigh, bytes, and take to open, ms.
const MOST_BYTES: usize = 3_000_000;
const MOST_OPENING_MS: f64 = 1000.0;
/// Tab presses after which a control counts as out of the keyboard's reach: more than twice those of the demo's page.
const MOST_TABS: usize = 120;
/// Sheets that the demo's two sessions and sensor may take on A4: five each, three of answers and basis, three of files.
const MOST_SHEETS: usize = 21;
// Key codes of the WebDriver standard (section "Keyboard actions").
const ENTER: &str = "\u{E007}";
const TAB: &str = "\u{E004}";
const RIGHT: &str = "\u{E014}";

/// A page in headless Chromium, through the WebDriver protocol (W3C Recommendation).
struct Browser {
    driver: Child,
    session: String,
    agent: ureq::Agent,
}

impl Browser {
    /// `None`, and it is said, where no driver is named.
    fn start(test: &str) -> Option<Self> {
        let Some(path) = std::env::var_os("SKYGRAIN_CHROMEDRIVER") else {
            eprintln!("{test}: skipped, SKYGRAIN_CHROMEDRIVER names no driver");
            return None;
        };
        let mut driver = Command::new(path).arg("--port=0").stdout(Stdio::piped()).spawn().unwrap();
        let mut lines = BufReader::new(driver.stdout.take().unwrap()).lines();
        let told = |l: String| l.rsplit_once(" successfully on port ").map(|(_, p)| p.trim_end_matches('.').to_owned());
        let port = lines.by_ref().map_while(Result::ok).find_map(told).expect("the driver tells its port");
        // What else it says is taken away, or a full pipe would stop it.
        std::thread::spawn(move || lines.for_each(drop));
        let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
        let mut browser = Self { driver, session: format!("http://127.0.0.1:{port}/session"), agent };
        let started = browser.post(
            "",
            &json!({"capabilities": {"alwaysMatch": {
                "browserName": "chrome",
                "goog:chromeOptions": {"args": [
                    "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--window-size=1280,900",
                ]},
                "goog:loggingPrefs": {"browser": "ALL", "performance": "ALL"},
            }}}),
        );
        browser.session += &format!("/{}", started["sessionId"].as_str().unwrap());
        Some(browser)
    }

    #[track_caller]
    fn post(&self, what: &str, body: &Value) -> Value {
        let url = format!("{}{what}", self.session);
        let mut answer: Value = self.agent.post(&url).send_json(body).unwrap().body_mut().read_json().unwrap();
        assert!(answer["value"].get("error").is_none(), "{what}: {answer:#}");
        answer["value"].take()
    }

    fn open(&self, page: &Path) {
        self.post("/url", &json!({"url": format!("file://{}", page.canonicalize().unwrap().display())}));
    }

    #[track_caller]
    fn run(&self, script: &str) -> Value {
        self.post("/execute/sync", &json!({"script": script, "args": []}))
    }

    fn devtools(&self, command: &str, parameters: Value) {
        self.post("/goog/cdp/execute", &json!({"cmd": command, "params": parameters}));
    }

    /// Presses keys where the focus is.
    fn press(&self, keys: &str) {
        let strokes: Vec<Value> = keys
            .chars()
            .flat_map(|k| [json!({"type": "keyDown", "value": k}), json!({"type": "keyUp", "value": k})])
            .collect();
        self.post("/actions", &json!({"actions": [{"type": "key", "id": "keys", "actions": strokes}]}));
    }

    /// Moves the focus on by the Tab key until it is where a script says.
    #[track_caller]
    fn tab_to(&self, wanted: &str) {
        for _ in 0..MOST_TABS {
            if self.run(&format!("const e = document.activeElement; return !!({wanted})")) == true {
                return;
            }
            self.press(TAB);
        }
        panic!("{MOST_TABS} presses of Tab do not lead to {wanted}");
    }

    /// What the browser has written down since it was last asked.
    fn log(&self, kind: &str) -> Vec<Value> {
        self.post("/se/log", &json!({"type": kind})).as_array().unwrap().clone()
    }

    fn shot(&self, name: &str) {
        let url = format!("{}/screenshot", self.session);
        let answer: Value = self.agent.get(&url).call().unwrap().body_mut().read_json().unwrap();
        keep(name, answer["value"].as_str().unwrap());
    }

    /// Violations that axe-core finds on the page as it stands.
    fn violations(&self, axe: &str) -> Vec<String> {
        self.run(axe);
        let script = "const done = arguments[arguments.length - 1]; \
                      axe.run().then(r => done(r.violations.map(v => v.id + ': ' + v.nodes.length + ' at ' \
                      + v.nodes[0].target + ' ' + v.nodes[0].failureSummary)), e => done([String(e)]));";
        let found = self.post("/execute/async", &json!({"script": script, "args": []}));
        found.as_array().unwrap().iter().map(|v| v.as_str().unwrap().to_owned()).collect()
    }

    /// The page in light and dark, on a phone and on paper, whose sheets of A4 are counted; what axe-core finds in either
    /// scheme; names of pictures begin with `prefix`.
    #[track_caller]
    fn looks(&self, prefix: &str) -> usize {
        let dark = json!({"features": [{"name": "prefers-color-scheme", "value": "dark"}]});
        let axe = std::env::var_os("SKYGRAIN_AXE").map(|axe| std::fs::read_to_string(axe).unwrap());
        let accessible = |scheme: &str| match &axe {
            Some(axe) => assert_eq!(self.violations(axe), Vec::<String>::new(), "in the {scheme} scheme"),
            None => eprintln!("accessibility in the {scheme} scheme: skipped, SKYGRAIN_AXE names no script"),
        };
        accessible("light");
        self.devtools("Emulation.setEmulatedMedia", dark);
        self.run("scrollTo(0, 0)");
        self.shot(&format!("{prefix}dark.png"));
        accessible("dark");
        self.devtools("Emulation.setEmulatedMedia", json!({"features": []}));

        let phone = json!({"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": true});
        self.devtools("Emulation.setDeviceMetricsOverride", phone);
        self.run("scrollTo(0, 0)");
        self.shot(&format!("{prefix}phone.png"));
        let width = self.run("return document.documentElement.scrollWidth");
        assert!(width.as_f64().unwrap() <= 390.0, "the page is {width} px wide on a phone");
        self.devtools("Emulation.clearDeviceMetricsOverride", json!({}));
        let printed = self.post("/print", &json!({"page": {"width": 21.0, "height": 29.7}, "background": true}));
        let pdf = keep(&format!("{prefix}print.pdf"), printed.as_str().unwrap());
        String::from_utf8_lossy(&pdf).matches("/Type /Page\n").count()
    }

    /// Neither errors nor breaches of the policy on the console, and no request but that for `page` itself.
    #[track_caller]
    fn is_quiet_and_alone(&self, page: &str) {
        let complaints = self.log("browser");
        assert!(complaints.is_empty(), "{complaints:#?}");
        let requests: Vec<String> = self
            .log("performance")
            .iter()
            .filter_map(|entry| serde_json::from_str::<Value>(entry["message"].as_str()?).ok())
            .filter(|m| m["message"]["method"] == "Network.requestWillBeSent")
            .map(|m| m["message"]["params"]["request"]["url"].as_str().unwrap_or("").to_owned())
            .collect();
        let elsewhere: Vec<&String> = requests.iter().filter(|u| !u.ends_with(page)).collect();
        assert!(!requests.is_empty() && elsewhere.is_empty(), "{requests:?}");
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.agent.delete(&self.session).call();
        let _ = self.driver.kill();
        let _ = self.driver.wait();
    }
}

fn keep(name: &str, base64: &str) -> Vec<u8> {
    let folder = std::env::temp_dir().join("skygrain-page");
    std::fs::create_dir_all(&folder).unwrap();
    let bytes = base64::engine::general_purpose::STANDARD.decode(base64).unwrap();
    std::fs::write(folder.join(name), &bytes).unwrap();
    bytes
}

fn demo(folder: &Path) -> PathBuf {
    let (night, out) = (folder.join("night"), folder.join("out"));
    let ran = skygrain(&["demo", night.to_str().unwrap(), "--out", out.to_str().unwrap()]);
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    out.join("report.html")
}

#[test]
fn the_page_works_by_keyboard_is_quiet_and_accessible_and_asks_for_nothing() {
    let Some(browser) = Browser::start("the page in a browser") else { return };
    let dir = tempfile::tempdir().unwrap();
    browser.open(&demo(dir.path()));
    browser.shot("desktop.png");

    // The table of files: unfold, sift, sort, all by keyboard.
    browser.tab_to("e.tagName === 'SUMMARY'");
    browser.press(ENTER);
    browser.tab_to("e.matches('.sift input')");
    let shown = "[...document.querySelectorAll('table.files tbody tr')].filter(r => !r.hidden)";
    let all = browser.run(&format!("return {shown}.length"));
    browser.press("h-alpha light");
    let sifted = browser.run(&format!("return {shown}.map(r => r.textContent)"));
    let sifted = sifted.as_array().unwrap();
    assert!(sifted.len() == 10 && all == 62, "{} of {all}", sifted.len());
    assert!(sifted.iter().all(|t| t.as_str().unwrap().contains("H-alpha")));
    assert_eq!(browser.run("return document.querySelector('.told').textContent"), "10 of 62 rows");
    let head = "e.matches('button.by') && e.textContent === 'FWHM, px'";
    browser.tab_to(head);
    let widths = format!("return {shown}.map(r => parseFloat(r.cells[6].textContent)).filter(v => !isNaN(v))");
    for (way, sign) in [("ascending", 1.0), ("descending", -1.0)] {
        browser.press(ENTER);
        assert_eq!(browser.run("return document.activeElement.parentElement.getAttribute('aria-sort')"), way);
        let values: Vec<f64> = serde_json::from_value(browser.run(&widths)).unwrap();
        assert_eq!(values.len(), 10);
        assert!(values.windows(2).all(|w| sign * (w[1] - w[0]) >= 0.0), "{way}: {values:?}");
    }
    // The frame that is left out says so, and the text can be copied as it stands.
    let copied =
        "const s = getSelection(); s.selectAllChildren(document.querySelector('table.files')); return s.toString()";
    let copied = browser.run(copied);
    assert!(copied.as_str().unwrap().contains("clouded"), "{copied}");

    // A figure is read step by step.
    browser.run("document.querySelector('.reader').focus()");
    let told = "const r = document.querySelector('.reader'); \
                return [r.getAttribute('aria-valuenow'), r.getAttribute('aria-valuetext'), r.textContent]";
    let first = browser.run(told);
    browser.press(RIGHT);
    let second = browser.run(told);
    assert_eq!((&first[0], &second[0]), (&"1".into(), &"2".into()));
    assert!(second[1] == second[2] && second[1] != first[1], "{first} {second}");
    assert!(second[1].as_str().unwrap().contains(" px, lights/"), "{second}");
    let readers = browser.run("return document.querySelectorAll('.reader').length");
    assert_eq!(readers, browser.run("return document.querySelectorAll('figure').length"));

    let sheets = browser.looks("");
    println!("the demo's page takes {sheets} sheets of A4");
    assert!((8..=MOST_SHEETS).contains(&sheets), "{sheets}");

    let phone = json!({"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": true});
    browser.devtools("Emulation.setDeviceMetricsOverride", phone);
    // A touch reads a figure, too.
    let place = "const c = document.querySelectorAll('.marks')[1].querySelectorAll('circle')[2]; \
                 c.scrollIntoView({block: 'center'}); const b = c.getBoundingClientRect(); \
                 return [b.left + b.width / 2, b.top + b.height / 2]";
    let place = browser.run(place);
    let at = |i: usize| place[i].as_f64().unwrap().round();
    let touch = json!({"actions": [{
        "type": "pointer", "id": "finger", "parameters": {"pointerType": "touch"},
        "actions": [
            {"type": "pointerMove", "duration": 0, "x": at(0), "y": at(1)},
            {"type": "pointerDown", "button": 0},
            {"type": "pointerUp", "button": 0},
        ],
    }]});
    let read = "return document.querySelectorAll('.reader')[1].textContent";
    assert_eq!(browser.run(read), "", "nothing is read before the touch");
    browser.post("/actions", &touch);
    assert!(browser.run(read).as_str().unwrap().contains(", lights/"), "{}", browser.run(read));
    browser.devtools("Emulation.clearDeviceMetricsOverride", json!({}));
    browser.is_quiet_and_alone("/out/report.html");
}

#[test]
fn the_letter_about_other_gear_is_quiet_and_accessible_and_asks_for_nothing() {
    let Some(browser) = Browser::start("the letter about other gear in a browser") else { return };
    let dir = tempfile::tempdir().unwrap();
    let report = demo(dir.path()).with_extension("json");
    let out = report.parent().unwrap();
    let options = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/upgrade/options.toml");
    let arguments = ["upgrade", report.to_str().unwrap(), "--options", options, "--out", out.to_str().unwrap()];
    assert_eq!(skygrain(&arguments).status, Some(0));
    browser.open(&out.join("upgrade.html"));
    browser.shot("upgrade-desktop.png");
    // Every option is named in an answer, in the figure's words and over its own part, and no row lacks its heading.
    let named = "return [...document.querySelectorAll('.answers h2, .part > h2')].map(h => h.textContent)";
    assert_eq!(browser.run(named).as_array().unwrap().len(), 6);
    let empty = "return [...document.querySelectorAll('th')].filter(t => !t.textContent.trim()).length";
    assert_eq!(browser.run(empty), 0);
    browser.tab_to("e.matches('.reader')");
    let told = "return document.querySelector('.reader').textContent";
    let first = browser.run(told);
    browser.press(RIGHT);
    let second = browser.run(told);
    assert!(first != second && second.as_str().unwrap().contains(" hours a year ("), "{first} {second}");
    browser.run("document.querySelector('figure').scrollIntoView()");
    browser.shot("upgrade-figure.png");
    browser.looks("upgrade-");
    browser.is_quiet_and_alone("/out/upgrade.html");
}

#[test]
fn a_script_that_is_not_the_pages_own_does_not_run() {
    let Some(browser) = Browser::start("the page's policy") else { return };
    let dir = tempfile::tempdir().unwrap();
    let page = demo(dir.path());
    let text = std::fs::read_to_string(&page).unwrap();
    std::fs::write(&page, text.replace("</main>", "<script>document.title = 'caught'</script></main>")).unwrap();
    browser.open(&page);
    assert_ne!(browser.run("return document.title"), "caught");
    assert!(browser.log("browser").iter().any(|l| l["message"].as_str().unwrap().contains("Content Security Policy")));
}

#[test]
fn a_night_of_300_frames_makes_a_page_that_is_small_and_opens_at_once() {
    let dir = tempfile::tempdir().unwrap();
    let night = dir.path().join("night");
    std::fs::create_dir(&night).unwrap();
    for i in 0..300 {
        let start =
            format!("DATE-OBS= '2031-10-{:02}T{:02}:{:02}:00'", 4 + (1080 + i) / 1440, (18 + i / 60) % 24, i % 60);
        let cards = [start.as_str(), "FILTER  = 'Clear'", "CCD-TEMP= 12.5"];
        std::fs::write(night.join(format!("light-{i:03}.fits")), light(1 + i % 20, &cards)).unwrap();
    }
    let out = dir.path().join("out");
    let ran = skygrain(&["night", night.to_str().unwrap(), "--out", out.to_str().unwrap()]);
    assert!(ran.status.is_some_and(|s| s < 2), "{}", ran.stderr);
    let page = out.join("report.html");
    let bytes = std::fs::read(&page).unwrap().len();
    println!("300 frames: a page of {bytes} bytes");
    assert!((300_000..MOST_BYTES).contains(&bytes), "{bytes}");
    let Some(browser) = Browser::start("opening a page of 300 frames") else { return };
    browser.open(&page);
    let ms = browser.run("return performance.getEntriesByType('navigation')[0].loadEventEnd").as_f64().unwrap();
    println!("opened in {ms:.0} ms");
    assert_eq!(browser.run("return document.querySelectorAll('table.files tbody tr').length"), 300);
    assert!(ms > 0.0 && ms < MOST_OPENING_MS, "{ms}");
}
