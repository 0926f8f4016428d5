use skygrain::fits::ImageFile;
use skygrain::frame::Lattice;
use skygrain::stars::*;
use std::path::Path;
use std::time::Instant;
fn main() {
    let im = ImageFile::open(Path::new("/tmp/large.fits")).unwrap().pixels().unwrap();
    let p = &im.planes[0];
    let o = MeasureOptions { lattice: Lattice::All, e_per_adu: Some(0.8), saturation_adu: Some(65535.0) };
    let min = |f: &dyn Fn()| {
        let mut m = f64::MAX;
        for _ in 0..15 {
            let t = Instant::now();
            f();
            m = m.min(t.elapsed().as_secs_f64() * 1e3);
        }
        m
    };
    let read = min(&|| {
        std::hint::black_box(ImageFile::open(Path::new("/tmp/large.fits")).unwrap().pixels().unwrap());
    });
    let s = min(&|| {
        std::hint::black_box(map_sky(p, Lattice::All));
    });
    let sky = map_sky(p, Lattice::All).unwrap();
    let d = min(&|| {
        std::hint::black_box(detect(p, Lattice::All, &sky, 3.0, 5.0));
    });
    let m = min(&|| {
        std::hint::black_box(measure(p, &o));
    });
    let peaks = detect(p, Lattice::All, &sky, 3.0, 5.0);
    let r = measure(p, &o).unwrap();
    println!(
        "read {read:.1} sky {s:.1} detect {d:.1} measure {m:.1} ms; peaks {} flags {:?} stars {} fwhm {:?} ratio {:.2}",
        peaks.len(),
        r.flags,
        r.stars.len(),
        r.fwhm_px.value,
        (read + m) / read
    );
}
