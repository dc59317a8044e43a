// Discrete Fourier transform of real samples, behind one small class.
#pragma once

#include <complex>
#include <memory>
#include <span>
#include <vector>

namespace pipebeat::core {

/// Forward transform of real input of one fixed length, a power of two.
///
/// Layout: n/2+1 bins, bin k at k/n of the sample rate. Scaling: none, X_k = sum x_i exp(-2 pi i k i/n)
/// (a unit cosine on bin k gives n/2). Checked against a slow exact transform in the tests.
class RealFft {
 public:
  /// `length`: a power of two, at least 2.
  explicit RealFft(std::size_t length);
  RealFft(RealFft&&) noexcept;
  RealFft& operator=(RealFft&&) noexcept;
  ~RealFft();

  [[nodiscard]] std::size_t length() const { return length_; }
  [[nodiscard]] std::size_t bins() const { return length_ / 2 + 1; }

  /// `in`: length() samples; `out`: bins() values, or only as many of the first as are wanted.
  void forward(std::span<const float> in, std::span<std::complex<float>> out) const;

 private:
  struct Plan;
  std::size_t length_;
  std::unique_ptr<Plan> plan_;
};

/// Hann window, sampled at the middle of each step, so that it is symmetric and nowhere zero.
std::vector<float> hann(std::size_t length);

}  // namespace pipebeat::core
