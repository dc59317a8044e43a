#include "core/fft.hpp"

#include <numbers>
#include <vector>

namespace pipebeat::core {

// Even and odd samples are the two parts of one complex sequence of half the length; its transform
// is taken apart into theirs. The complex transform sorts itself on the way (T. Stockham, AFIPS
// 28, 1966; C. Van Loan, Computational Frameworks for the Fast Fourier Transform, 1992, 1.7):
// every pass reads and writes whole rows, real and imaginary parts apart, which compilers turn into
// vector instructions. A general library took more than twice the time.
struct RealFft::Plan {
  struct Rows {
    std::vector<float> re, im;
    explicit Rows(std::size_t n) : re(n), im(n) {}
  };

  explicit Plan(std::size_t half) : n{half}, a{n}, b{n} {
    std::size_t length = n;
    while (length > 1) {
      std::size_t radix = 4;
      if (length % radix != 0) {
        radix = 2;
        while (length % radix != 0) ++radix;
      }
      Pass pass{radix, n / length, length / radix, Rows{length}, {}};
      for (std::size_t r = 0; r < radix; ++r) {
        const auto step = root(r, length);
        std::complex<double> turn{1.0, 0.0};
        for (std::size_t p = 0; p < pass.groups; ++p, turn *= step) {
          pass.twiddle.re[r * pass.groups + p] = static_cast<float>(turn.real());
          pass.twiddle.im[r * pass.groups + p] = static_cast<float>(turn.imag());
        }
      }
      for (std::size_t k = 0; k < radix; ++k) pass.roots.emplace_back(root(k, radix));
      passes.push_back(std::move(pass));
      length /= radix;
    }
    const auto step = root(1, 2 * n);
    std::complex<double> turn{0.5, 0.0};
    for (std::size_t k = 0; k < n; ++k, turn *= step) {
      apart.re.push_back(static_cast<float>(turn.real()));
      apart.im.push_back(static_cast<float>(turn.imag()));
    }
  }

  /// exp(-2 pi i k / n).
  static std::complex<double> root(std::size_t k, std::size_t n) {
    return std::polar(1.0, -2.0 * std::numbers::pi * static_cast<double>(k) / static_cast<double>(n));
  }

  /// One pass: `groups` butterflies of `radix` legs on rows of `row` values.
  struct Pass {
    std::size_t radix;
    std::size_t row;
    std::size_t groups;
    Rows twiddle;                            // [leg * groups + group]
    std::vector<std::complex<float>> roots;  // of unity
  };

  /// A radix-4 butterfly of the values at x + q, x + q + leg, ...; results at y + r, y + r + row, ...
  static void four(const float* xr, const float* xi, std::size_t leg, float* yr, float* yi, std::size_t row,
                   const Pass& pass, std::size_t group) {
    const float* const wr = pass.twiddle.re.data() + group;
    const float* const wi = pass.twiddle.im.data() + group;
    const std::size_t g = pass.groups;
    const float even_r = xr[0] + xr[2 * leg];
    const float even_i = xi[0] + xi[2 * leg];
    const float odd_r = xr[leg] + xr[3 * leg];
    const float odd_i = xi[leg] + xi[3 * leg];
    const float across_r = xr[0] - xr[2 * leg];
    const float across_i = xi[0] - xi[2 * leg];
    const float turned_r = xi[leg] - xi[3 * leg];  // -i times the difference
    const float turned_i = xr[3 * leg] - xr[leg];
    yr[0] = even_r + odd_r;
    yi[0] = even_i + odd_i;
    const auto put = [&](std::size_t r, float re, float im) {
      yr[r * row] = wr[r * g] * re - wi[r * g] * im;
      yi[r * row] = wr[r * g] * im + wi[r * g] * re;
    };
    put(1, across_r + turned_r, across_i + turned_i);
    put(2, even_r - odd_r, even_i - odd_i);
    put(3, across_r - turned_r, across_i - turned_i);
  }

  static void pass_of_four(const Pass& pass, const Rows& x, Rows& y) {
    const std::size_t leg = pass.row * pass.groups;
    const float* __restrict xr = x.re.data();
    const float* __restrict xi = x.im.data();
    float* __restrict yr = y.re.data();
    float* __restrict yi = y.im.data();
    if (pass.row == 1) {
      for (std::size_t p = 0; p < pass.groups; ++p) four(xr + p, xi + p, leg, yr + 4 * p, yi + 4 * p, 1, pass, p);
      return;
    }
    for (std::size_t p = 0; p < pass.groups; ++p) {
      const std::size_t from = p * pass.row;
      for (std::size_t q = 0; q < pass.row; ++q) {
        four(xr + from + q, xi + from + q, leg, yr + 4 * from + q, yi + 4 * from + q, pass.row, pass, p);
      }
    }
  }

  /// Any radix, straight from the definition: for the odd factors of short lengths.
  static void pass_of_any(const Pass& pass, const Rows& x, Rows& y) {
    const std::size_t leg = pass.row * pass.groups;
    for (std::size_t r = 0; r < pass.radix; ++r) {
      for (std::size_t p = 0; p < pass.groups; ++p) {
        const std::complex<float> twiddle{pass.twiddle.re[r * pass.groups + p], pass.twiddle.im[r * pass.groups + p]};
        for (std::size_t k = 0; k < pass.radix; ++k) {
          const std::complex<float> w = twiddle * pass.roots[k * r % pass.radix];
          const std::size_t from = p * pass.row + k * leg;
          const std::size_t to = (p * pass.radix + r) * pass.row;
          for (std::size_t q = 0; q < pass.row; ++q) {
            const float re = w.real() * x.re[from + q] - w.imag() * x.im[from + q];
            const float im = w.real() * x.im[from + q] + w.imag() * x.re[from + q];
            y.re[to + q] = (k == 0 ? 0.0F : y.re[to + q]) + re;
            y.im[to + q] = (k == 0 ? 0.0F : y.im[to + q]) + im;
          }
        }
      }
    }
  }

  std::size_t n;
  std::vector<Pass> passes;
  Rows apart{0};  // half of exp(-2 pi i k / 2n)
  Rows a, b;
};

RealFft::RealFft(std::size_t length) : length_{length}, plan_{std::make_unique<Plan>(length / 2)} {}
RealFft::RealFft(RealFft&&) noexcept = default;
RealFft& RealFft::operator=(RealFft&&) noexcept = default;
RealFft::~RealFft() = default;

void RealFft::forward(std::span<const float> in, std::span<std::complex<float>> out) const {
  Plan& plan = *plan_;
  const std::size_t n = plan.n;
  for (std::size_t i = 0; i < n; ++i) {
    plan.a.re[i] = in[2 * i];
    plan.a.im[i] = in[2 * i + 1];
  }
  for (const Plan::Pass& pass : plan.passes) {
    if (pass.radix == 4) {
      Plan::pass_of_four(pass, plan.a, plan.b);
    } else {
      Plan::pass_of_any(pass, plan.a, plan.b);
    }
    std::swap(plan.a, plan.b);
  }
  const float* const re = plan.a.re.data();
  const float* const im = plan.a.im.data();
  const float* const wr = plan.apart.re.data();
  const float* const wi = plan.apart.im.data();
  auto* const to = reinterpret_cast<float*>(out.data());  // [complex.numbers.general] 4
  for (std::size_t k = 1; k < n; ++k) {
    // Sum and difference of Z_k and the conjugate of Z_(n-k): transforms of the two halves.
    const float sum_r = re[k] + re[n - k];
    const float sum_i = im[k] - im[n - k];
    const float odd_r = im[k] + im[n - k];
    const float odd_i = re[n - k] - re[k];
    to[2 * k] = 0.5F * sum_r + wr[k] * odd_r - wi[k] * odd_i;
    to[2 * k + 1] = 0.5F * sum_i + wr[k] * odd_i + wi[k] * odd_r;
  }
  out[0] = {re[0] + im[0], 0.0F};
  out[n] = {re[0] - im[0], 0.0F};
}

}  // namespace pipebeat::core
