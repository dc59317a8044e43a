#include "filters.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace pipebeat::synth {

namespace {

struct Cookbook {
  double cosine, alpha;
  Cookbook(double hz, double q, double rate) {
    const double w = 2.0 * std::numbers::pi * std::min(hz, 0.49 * rate) / rate;
    cosine = std::cos(w);
    alpha = std::sin(w) / (2.0 * q);
  }
};

}  // namespace

Biquad::Biquad(double b0, double b1, double b2, double a0, double a1, double a2)
    : b0_{b0 / a0}, b1_{b1 / a0}, b2_{b2 / a0}, a1_{a1 / a0}, a2_{a2 / a0} {}

Biquad Biquad::lowpass(double hz, double q, double rate) {
  const Cookbook c{hz, q, rate};
  return {(1 - c.cosine) / 2, 1 - c.cosine,  (1 - c.cosine) / 2,
          1 + c.alpha,        -2 * c.cosine, 1 - c.alpha};
}

Biquad Biquad::highpass(double hz, double q, double rate) {
  const Cookbook c{hz, q, rate};
  return {(1 + c.cosine) / 2, -1 - c.cosine, (1 + c.cosine) / 2,
          1 + c.alpha,        -2 * c.cosine, 1 - c.alpha};
}

Biquad Biquad::bandpass(double hz, double q, double rate) {
  const Cookbook c{hz, q, rate};
  return {c.alpha, 0, -c.alpha, 1 + c.alpha, -2 * c.cosine, 1 - c.alpha};
}

OnePole::OnePole(double hz, double rate)
    : k_{1.0 - std::exp(-2.0 * std::numbers::pi * std::min(hz, 0.49 * rate) / rate)} {}

Pipe::Pipe(double delay_s, double reflection, double loss_hz, double rate)
    : line_(static_cast<std::size_t>(std::max(1.0, std::round(delay_s * rate))), 0.0),
      reflection_{reflection},
      loss_{loss_hz, rate} {}

double Pipe::operator()(double x) {
  const double y = x + reflection_ * loss_(line_[at_]);
  line_[at_] = y;
  at_ = at_ + 1 == line_.size() ? 0 : at_ + 1;
  return y;
}

void highpass(Signal& x, double hz, int order, double rate) {
  if (order == 1) {
    OnePole f{hz, rate};
    for (double& v : x) v = f.highpass(v);
  } else {
    Biquad f = Biquad::highpass(hz, std::numbers::sqrt2 / 2, rate);
    for (double& v : x) v = f(v);
  }
}

void bandlimit(Signal& x, double hz, double rate) {
  if (hz >= 0.49 * rate) return;
  for (int stage = 0; stage < 4; ++stage) {
    const double q = 1.0 / (2.0 * std::cos(std::numbers::pi * (2 * stage + 1) / 16.0));
    Biquad f = Biquad::lowpass(hz, q, rate);
    for (double& v : x) v = f(v);
  }
}

Signal decimated(const Signal& x, int factor) {
  if (factor == 1) return x;
  const int half = 24 * factor;
  const double cutoff = 0.45 / factor;
  Signal taps(static_cast<std::size_t>(2 * half + 1));
  const double beta = 7.857;  // 80 dB; Kaiser's formula, Oppenheim & Schafer
  for (int i = -half; i <= half; ++i) {
    const double t = 2.0 * std::numbers::pi * cutoff * i;
    const double sinc = i == 0 ? 1.0 : std::sin(t) / t;
    const double r = static_cast<double>(i) / half;
    taps[static_cast<std::size_t>(i + half)] =
        2.0 * cutoff * sinc * std::cyl_bessel_i(0.0, beta * std::sqrt(1.0 - r * r)) /
        std::cyl_bessel_i(0.0, beta);
  }
  const auto n = static_cast<std::ptrdiff_t>(x.size());
  Signal out(x.size() / static_cast<std::size_t>(factor), 0.0);
  for (std::size_t k = 0; k < out.size(); ++k) {
    const std::ptrdiff_t centre = static_cast<std::ptrdiff_t>(k) * factor;
    const std::ptrdiff_t from = std::max<std::ptrdiff_t>(-half, -centre);
    const std::ptrdiff_t to = std::min<std::ptrdiff_t>(half, n - 1 - centre);
    double sum = 0.0;
    for (std::ptrdiff_t i = from; i <= to; ++i) {
      sum += taps[static_cast<std::size_t>(i + half)] * x[static_cast<std::size_t>(centre + i)];
    }
    out[k] = sum;
  }
  return out;
}

double rms(const Signal& x) {
  double sum = 0.0;
  for (double v : x) sum += v * v;
  return x.empty() ? 0.0 : std::sqrt(sum / static_cast<double>(x.size()));
}

}  // namespace pipebeat::synth
