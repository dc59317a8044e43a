#include "core/fft.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>
#include <numbers>
#include <vector>

#include "core/sums.hpp"

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
    for (std::size_t length = n; length >= 4; length /= 4) {
      Pass pass{n / length, length / 4, Rows{length}};
      for (std::size_t r = 0; r < 4; ++r) {
        const auto step = root(r, length);
        std::complex<double> turn{1.0, 0.0};
        for (std::size_t p = 0; p < pass.groups; ++p, turn *= step) {
          pass.twiddle.re[r * pass.groups + p] = static_cast<float>(turn.real());
          pass.twiddle.im[r * pass.groups + p] = static_cast<float>(turn.imag());
        }
      }
      passes.push_back(std::move(pass));
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

  /// One pass: `groups` butterflies of four legs on rows of `row` values.
  struct Pass {
    std::size_t row;
    std::size_t groups;
    Rows twiddle;  // [leg * groups + group]
  };

  using Lanes = float __attribute__((vector_size(16)));
  using WideLanes = float __attribute__((vector_size(32)));

  /// A value of type T (float or lanes) in a row, wherever it lies. GCC copies what is wider than 16 bytes
  /// through the stack where it says memcpy.
  template <class T>
  struct Anywhere {
    using Type __attribute__((aligned(alignof(float)), may_alias)) = T;
  };
  template <class T>
  [[gnu::always_inline]] static void fetch(T& value, const float* from) {
    value = *reinterpret_cast<const typename Anywhere<T>::Type*>(from);
  }
  template <class T>
  [[gnu::always_inline]] static void store(const T& value, float* to) {
    *reinterpret_cast<typename Anywhere<T>::Type*>(to) = value;
  }

  template <class T>
  struct Legs {
    std::array<T, 4> re, im;
  };

  /// A radix-4 butterfly of the values at x, x + leg, ..., turned by `w`.
  template <class T, class W>
  [[gnu::always_inline]] static void four(Legs<T>& y, const float* xr, const float* xi, std::size_t leg, const Legs<W>& w) {
    Legs<T> x;
    for (std::size_t k = 0; k < 4; ++k) {
      fetch(x.re[k], xr + k * leg);
      fetch(x.im[k], xi + k * leg);
    }
    const T even_r = x.re[0] + x.re[2];
    const T even_i = x.im[0] + x.im[2];
    const T odd_r = x.re[1] + x.re[3];
    const T odd_i = x.im[1] + x.im[3];
    const T across_r = x.re[0] - x.re[2];
    const T across_i = x.im[0] - x.im[2];
    const T turned_r = x.im[1] - x.im[3];  // -i times the difference
    const T turned_i = x.re[3] - x.re[1];
    y = {{even_r + odd_r, across_r + turned_r, even_r - odd_r, across_r - turned_r},
         {even_i + odd_i, across_i + turned_i, even_i - odd_i, across_i - turned_i}};
    for (std::size_t r = 1; r < 4; ++r) {
      const T re = y.re[r];
      y.re[r] = w.re[r] * re - w.im[r] * y.im[r];
      y.im[r] = w.re[r] * y.im[r] + w.im[r] * re;
    }
  }

  /// The butterflies of one group: twiddles stay, the row is walked in steps of T.
  template <class T>
  [[gnu::always_inline]] static void group_of_four(const Pass& pass, const Rows& x, Rows& y, std::size_t group) {
    const std::size_t leg = pass.row * pass.groups;
    Legs<float> w;
    for (std::size_t r = 0; r < 4; ++r) {
      w.re[r] = pass.twiddle.re[r * pass.groups + group];
      w.im[r] = pass.twiddle.im[r * pass.groups + group];
    }
    const std::size_t row = pass.row;
    const float* const xr = x.re.data() + group * row;
    const float* const xi = x.im.data() + group * row;
    float* const yr = y.re.data() + 4 * group * row;
    float* const yi = y.im.data() + 4 * group * row;
    constexpr std::size_t lanes = sizeof(T) / sizeof(float);  // NOLINT(bugprone-sizeof-expression): T may be float itself
    for (std::size_t q = 0; q < row; q += lanes) {
      Legs<T> out;
      four(out, xr + q, xi + q, leg, w);
      for (std::size_t r = 0; r < 4; ++r) {
        store(out.re[r], yr + r * row + q);
        store(out.im[r], yi + r * row + q);
      }
    }
  }

  /// Stores four rows as four columns, one behind the other.
  static void store_turned(const std::array<Lanes, 4>& row, float* to) {
    const Lanes a = __builtin_shufflevector(row[0], row[1], 0, 4, 1, 5);
    const Lanes b = __builtin_shufflevector(row[2], row[3], 0, 4, 1, 5);
    const Lanes c = __builtin_shufflevector(row[0], row[1], 2, 6, 3, 7);
    const Lanes d = __builtin_shufflevector(row[2], row[3], 2, 6, 3, 7);
    const std::array<Lanes, 4> column{__builtin_shufflevector(a, b, 0, 1, 4, 5), __builtin_shufflevector(a, b, 2, 3, 6, 7),
                                      __builtin_shufflevector(c, d, 0, 1, 4, 5), __builtin_shufflevector(c, d, 2, 3, 6, 7)};
    std::memcpy(to, column.data(), sizeof column);
  }

  PIPEBEAT_WIDE static void pass_of_four(const Pass& pass, const Rows& x, Rows& y) {
    if (pass.row % 8 == 0) {
      for (std::size_t p = 0; p < pass.groups; ++p) group_of_four<WideLanes>(pass, x, y, p);
      return;
    }
    if (pass.row % 4 == 0) {
      for (std::size_t p = 0; p < pass.groups; ++p) group_of_four<Lanes>(pass, x, y, p);
      return;
    }
    std::size_t p = 0;
    // Rows of one: four groups together.
    for (; pass.row == 1 && p + 4 <= pass.groups; p += 4) {
      Legs<Lanes> w;
      for (std::size_t r = 0; r < 4; ++r) {
        fetch(w.re[r], pass.twiddle.re.data() + r * pass.groups + p);
        fetch(w.im[r], pass.twiddle.im.data() + r * pass.groups + p);
      }
      Legs<Lanes> out;
      four(out, x.re.data() + p, x.im.data() + p, pass.groups, w);
      store_turned(out.re, y.re.data() + 4 * p);
      store_turned(out.im, y.im.data() + 4 * p);
    }
    for (; p < pass.groups; ++p) group_of_four<float>(pass, x, y, p);
  }

  /// What is left to do where the length is no power of four: sums and differences of the two halves.
  void last_pass_of_two() {
    const auto halves = [half = n / 2](const float* from, float* to) {
      for (std::size_t q = 0; q < half; ++q) {
        to[q] = from[q] + from[half + q];
        to[half + q] = from[q] - from[half + q];
      }
    };
    halves(a.re.data(), b.re.data());
    halves(a.im.data(), b.im.data());
    std::swap(a, b);
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

PIPEBEAT_WIDE void RealFft::forward(std::span<const float> in, std::span<std::complex<float>> out) const {
  Plan& plan = *plan_;
  const std::size_t n = plan.n;
  for (std::size_t i = 0; i < n; ++i) {
    plan.a.re[i] = in[2 * i];
    plan.a.im[i] = in[2 * i + 1];
  }
  std::size_t left = n;
  for (const Plan::Pass& pass : plan.passes) {
    Plan::pass_of_four(pass, plan.a, plan.b);
    std::swap(plan.a, plan.b);
    left /= 4;
  }
  if (left == 2) plan.last_pass_of_two();
  const float* const re = plan.a.re.data();
  const float* const im = plan.a.im.data();
  const float* const wr = plan.apart.re.data();
  const float* const wi = plan.apart.im.data();
  auto* __restrict const to = reinterpret_cast<float*>(out.data());  // [complex.numbers.general] 4
  const std::size_t wanted = out.size();
  for (std::size_t k = 1; k < std::min(n, wanted); ++k) {
    // Sum and difference of Z_k and the conjugate of Z_(n-k): transforms of the two halves.
    const float sum_r = re[k] + re[n - k];
    const float sum_i = im[k] - im[n - k];
    const float odd_r = im[k] + im[n - k];
    const float odd_i = re[n - k] - re[k];
    to[2 * k] = 0.5F * sum_r + wr[k] * odd_r - wi[k] * odd_i;
    to[2 * k + 1] = 0.5F * sum_i + wr[k] * odd_i + wi[k] * odd_r;
  }
  out[0] = {re[0] + im[0], 0.0F};
  if (wanted > n) out[n] = {re[0] - im[0], 0.0F};
}

std::vector<float> hann(std::size_t length) {
  std::vector<float> window(length);
  for (std::size_t i = 0; i < length; ++i) {
    const double turn = (static_cast<double>(i) + 0.5) / static_cast<double>(length);
    window[i] = static_cast<float>(0.5 - 0.5 * std::cos(2.0 * std::numbers::pi * turn));
  }
  return window;
}

}  // namespace pipebeat::core
