//! Time to match a frame with the catalogue: fields of three widths, told and untold scale.

use std::hint::black_box;
use std::time::Duration;

use criterion::{Criterion, criterion_group, criterion_main};
use skygrain::sky::{Catalogue, Frame, match_sky};

#[path = "../tests/it/sky_fields.rs"]
#[expect(dead_code, reason = "the tests use the rest")]
mod sky_fields;

use sky_fields::{Field, Truth, field, mean_scale, random_truth};

/// Frames of one width: the time depends on where in the sky they lie.
const FRAMES: u64 = 20;

fn by_width(c: &mut Criterion) {
    let catalogue = Catalogue::shipped().expect("built with the catalogue");
    let mut group = c.benchmark_group("20 frames matched with the catalogue");
    group.sample_size(10).measurement_time(Duration::from_secs(5));
    for width_deg in [0.7, 2.0, 6.0] {
        let frame = |seed| {
            let truth = random_truth(seed);
            let scale = width_deg * 3600.0 / truth.size_px[0].max(truth.size_px[1]) as f64;
            field(&catalogue, Truth { scale: [scale, scale], ..truth }, seed)
        };
        let fields: Vec<Field> = (0..FRAMES).map(frame).collect();
        for is_told in [true, false] {
            let scale_is = if is_told { "told" } else { "not told" };
            group.bench_function(format!("{width_deg} degrees, scale {scale_is}"), |b| {
                b.iter(|| {
                    for f in &fields {
                        // 5 % off, as focal lengths are.
                        let scale_arcsec_per_px = is_told.then_some(1.05 * mean_scale(&f.truth));
                        let pointings = [f.pointing];
                        let frame = Frame {
                            sources: &f.sources,
                            size_px: f.truth.size_px,
                            pointings: &pointings,
                            scale_arcsec_per_px,
                        };
                        black_box(match_sky(Some(&catalogue), &frame).is_ok());
                    }
                })
            });
        }
    }
    group.finish();
}

criterion_group!(sky, by_width);
criterion_main!(sky);
