//! Turn, scale, shift and parity that carry a triangle of the frame onto one of the sky.

/// `z = turn * (x + i p y) + shift` in the plane, `p` being the parity; complex numbers as pairs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Similarity {
    /// Its length is the enlargement.
    pub turn: [f64; 2],
    pub shift: [f64; 2],
    /// 1 or -1.
    pub parity: f64,
}

impl Similarity {
    /// Least squares over three pairs of points: `turn` is the sum of `conj(w) z` over that of `|w|^2`, both from their means.
    pub fn of(frame: [[f64; 2]; 3], sky: [[f64; 2]; 3], parity: f64) -> Self {
        let mean = |p: [[f64; 2]; 3], k: usize| (p[0][k] + p[1][k] + p[2][k]) / 3.0;
        let (w0, z0) = ([mean(frame, 0), parity * mean(frame, 1)], [mean(sky, 0), mean(sky, 1)]);
        let (mut sum, mut norm) = ([0.0; 2], 0.0);
        for (f, s) in frame.iter().zip(sky) {
            let (w, z) = ([f[0] - w0[0], parity * f[1] - w0[1]], [s[0] - z0[0], s[1] - z0[1]]);
            sum = [sum[0] + w[0] * z[0] + w[1] * z[1], sum[1] + w[0] * z[1] - w[1] * z[0]];
            norm += w[0] * w[0] + w[1] * w[1];
        }
        let turn = sum.map(|s| s / norm);
        let shift = [z0[0] - turn[0] * w0[0] + turn[1] * w0[1], z0[1] - turn[0] * w0[1] - turn[1] * w0[0]];
        Self { turn, shift, parity }
    }

    /// Where a point of the frame comes to lie.
    pub fn apply(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let ([a, b], y) = (self.turn, self.parity * y);
        [a * x - b * y + self.shift[0], b * x + a * y + self.shift[1]]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_pairs_give_back_what_carried_them_mirrored_or_not() {
        for parity in [1.0, -1.0] {
            let truth = Similarity { turn: [0.3, -1.2], shift: [5.0, -7.0], parity };
            let frame = [[1.0, 2.0], [-4.0, 3.0], [0.5, 9.0]];
            let got = Similarity::of(frame, frame.map(|p| truth.apply(p)), parity);
            for (a, b) in got.turn.iter().chain(&got.shift).zip(truth.turn.iter().chain(&truth.shift)) {
                assert!((a - b).abs() < 1e-12, "{got:?}");
            }
        }
    }
}
