// The few filters the synthesiser needs.
#pragma once

#include <cstddef>
#include <vector>

namespace pipebeat::synth {

/// Samples of one channel at a rate that goes beside it.
using Signal = std::vector<double>;

/// Second-order section; coefficients after R. Bristow-Johnson, "Audio EQ Cookbook" (W3C note).
class Biquad {
 public:
  static Biquad lowpass(double hz, double q, double rate);
  static Biquad highpass(double hz, double q, double rate);
  /// Peak gain 1.
  static Biquad bandpass(double hz, double q, double rate);

  double operator()(double x) {
    const double y = b0_ * x + s1_;
    s1_ = b1_ * x - a1_ * y + s2_;
    s2_ = b2_ * x - a2_ * y;
    return y;
  }

 private:
  Biquad(double b0, double b1, double b2, double a0, double a1, double a2);
  double b0_, b1_, b2_, a1_, a2_;
  double s1_ = 0.0, s2_ = 0.0;
};

/// First-order low-pass; `highpass(x)` gives what it leaves over.
class OnePole {
 public:
  OnePole(double hz, double rate);
  double operator()(double x) { return y_ += k_ * (x - y_); }
  double highpass(double x) { return x - (*this)(x); }

 private:
  double k_;
  double y_ = 0.0;
};

/// A pipe that rings: y[n] = x[n] + reflection * lowpassed y[n - delay]. A negative reflection
/// gives odd quarter-wave resonances, a positive one half-wave resonances.
class Pipe {
 public:
  Pipe(double delay_s, double reflection, double loss_hz, double rate);
  double operator()(double x);

 private:
  std::vector<double> line_;
  std::size_t at_ = 0;
  double reflection_;
  OnePole loss_;
};

/// Order 1 or 2 high-pass (Butterworth) over a whole signal.
void highpass(Signal& x, double hz, int order, double rate);
/// Order 8 Butterworth low-pass over a whole signal; nothing to do at or above half the rate.
void bandlimit(Signal& x, double hz, double rate);
/// Every `factor`-th sample after a linear-phase low-pass (Kaiser window, 80 dB).
Signal decimated(const Signal& x, int factor);

double rms(const Signal& x);

}  // namespace pipebeat::synth
