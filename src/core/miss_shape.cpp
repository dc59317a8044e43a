#include "core/miss_shape.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <optional>
#include <span>

#include "core/sums.hpp"

namespace pipebeat::core {

namespace {

constexpr std::size_t fewest_events = 30;
constexpr std::size_t most_taught = 250;  // events that teach the shapes; more cost time only
constexpr std::size_t most_axes = 8;      // in which events may differ
constexpr std::size_t events_per_axis = 6;
constexpr std::size_t begun_axes = 4;  // along which a search begins, either way
constexpr double begun_share = 0.1;    // of the events, which are taken for misses at first
constexpr int axis_rounds = 12;
constexpr int kind_rounds = 6;
constexpr double fewest_of_a_kind = 3.0;
constexpr double same_kinds = 0.9;  // correlation of two searches that found the same

/// Rows of `width` floats.
struct Rows {
  std::size_t width = 0;
  std::vector<float> value;

  [[nodiscard]] std::size_t count() const { return width == 0 ? 0 : value.size() / width; }
  [[nodiscard]] float* row(std::size_t r) { return value.data() + r * width; }
  [[nodiscard]] const float* row(std::size_t r) const { return value.data() + r * width; }
};

PIPEBEAT_WIDE void add_products(const float* row, std::size_t width, float* sum) {
  for (std::size_t i = 0; i < width; ++i) {
    for (std::size_t j = 0; j < width; ++j) sum[i * width + j] += row[i] * row[j];
  }
}

PIPEBEAT_WIDE void multiply(const float* matrix, const float* x, std::size_t width, float* out) {
  for (std::size_t i = 0; i < width; ++i) out[i] = dot(matrix + i * width, x, width);
}

/// Principal axes of the rows about zero, strongest first, by orthogonal iteration; every axis
/// divided by the deviation along it, so that what lies along it has unit variance. What hardly
/// varies is not blown up.
struct Axes {
  Rows axis;
  std::vector<double> variance;
};

Axes principal_axes(const Rows& x, std::size_t count) {
  const std::size_t D = x.width;
  std::vector<float> covariance(D * D, 0.0F);
  for (std::size_t r = 0; r < x.count(); ++r) add_products(x.row(r), D, covariance.data());
  for (float& v : covariance) v /= static_cast<float>(x.count());
  Axes out{{D, std::vector<float>(count * D, 0.0F)}, std::vector<double>(count, 0.0)};
  for (std::size_t a = 0; a < count; ++a) {
    for (std::size_t i = a; i < D; i += count) out.axis.row(a)[i] = 1.0F;
  }
  std::vector<float> next(D);
  for (int round = 0; round < axis_rounds; ++round) {
    for (std::size_t a = 0; a < count; ++a) {
      multiply(covariance.data(), out.axis.row(a), D, next.data());
      for (std::size_t b = 0; b < a; ++b) {
        const float along = dot(next.data(), out.axis.row(b), D);
        for (std::size_t i = 0; i < D; ++i) next[i] -= along * out.axis.row(b)[i];
      }
      const float length = std::sqrt(dot(next.data(), next.data(), D)) + 1e-20F;
      for (std::size_t i = 0; i < D; ++i) out.axis.row(a)[i] = next[i] / length;
      out.variance[a] = static_cast<double>(length);
    }
  }
  double floor = 1e-12;
  for (const double v : out.variance) floor += 0.01 * v / static_cast<double>(count);
  for (std::size_t a = 0; a < count; ++a) {
    out.variance[a] += floor;
    const auto scale = static_cast<float>(1.0 / std::sqrt(out.variance[a]));
    for (std::size_t i = 0; i < D; ++i) out.axis.row(a)[i] *= scale;
  }
  return out;
}

/// Where rows lie along the axes.
PIPEBEAT_WIDE Rows along(const Rows& axes, const std::vector<float>& rows) {
  const std::size_t K = axes.count();
  Rows out{K, std::vector<float>(rows.size() / axes.width * K)};
  for (std::size_t r = 0; r < out.count(); ++r) {
    for (std::size_t k = 0; k < K; ++k)
      out.row(r)[k] = dot(rows.data() + r * axes.width, axes.row(k), axes.width);
  }
  return out;
}

double probability_of(double log_odds) {
  return 1.0 / (1.0 + std::exp(-std::clamp(log_odds, -30.0, 30.0)));
}

/// Two Gaussians of one covariance; `u`: rows of unit covariance, both kinds together.
struct TwoKinds {
  std::vector<double> weight;  ///< log odds of the second kind: weight * u + offset
  double offset = 0.0;
  double gain = 0.0;
  double gap = 0.0;
  std::vector<double> second;  ///< probability, per row
};

/// Expectation maximisation from a first guess (A. Dempster, N. Laird & D. Rubin, J. Royal Stat. Soc. B 39, 1977; from
/// memory); nothing where one kind dies out.
bool tell_apart(const Rows& u, TwoKinds& kinds) {
  const std::size_t n = u.count();
  const std::size_t K = u.width;
  const auto N = static_cast<double>(n);
  std::vector<double> sum(K, 0.0);
  for (std::size_t r = 0; r < n; ++r) {
    for (std::size_t k = 0; k < K; ++k) sum[k] += static_cast<double>(u.row(r)[k]);
  }
  std::vector<double> first(K);
  std::vector<double> lies(n);
  kinds.weight.assign(K, 0.0);
  double q = 0.0;
  double g = 0.0;
  for (int round = 0; round < kind_rounds; ++round) {
    const double count = std::accumulate(kinds.second.begin(), kinds.second.end(), 0.0);
    if (count < fewest_of_a_kind || N - count < fewest_of_a_kind) return false;
    q = count / N;
    std::vector<double> own(K, 0.0);
    for (std::size_t r = 0; r < n; ++r) {
      for (std::size_t k = 0; k < K; ++k)
        own[k] += kinds.second[r] * static_cast<double>(u.row(r)[k]);
    }
    // The covariance within the kinds is the identity less what lies between them.
    double apart = 0.0;
    for (std::size_t k = 0; k < K; ++k) {
      first[k] = (sum[k] - own[k]) / (N - count);
      kinds.weight[k] = own[k] / count - first[k];
      apart += kinds.weight[k] * kinds.weight[k];
    }
    const double within = 1.0 - q * (1.0 - q) * apart;
    if (!(within > 1e-6) || !(apart > 0.0)) return false;
    g = apart / within;
    double centre = 0.0;
    for (std::size_t k = 0; k < K; ++k) {
      kinds.weight[k] /= within;
      centre += first[k] * kinds.weight[k];
    }
    kinds.offset = -centre - 0.5 * g + std::log(q / (1.0 - q));
    for (std::size_t r = 0; r < n; ++r) {
      double t = -centre;
      for (std::size_t k = 0; k < K; ++k) t += kinds.weight[k] * static_cast<double>(u.row(r)[k]);
      lies[r] = t;
      kinds.second[r] = probability_of(t + kinds.offset + centre);
    }
  }
  // Along the shape: the second kind lies at g, the first at 0, both with variance g.
  q = std::clamp(std::accumulate(kinds.second.begin(), kinds.second.end(), 0.0) / N, 1e-6,
                 1.0 - 1e-6);
  double mean = 0.0;
  double square = 0.0;
  for (const double t : lies) {
    mean += t / N;
    square += t * t / N;
  }
  const double variance = square - mean * mean + 1e-12;
  for (const double t : lies) {
    const double a = std::log(1.0 - q) - 0.5 * t * t / g;
    const double b = std::log(q) - 0.5 * (t - g) * (t - g) / g;
    const double two = std::max(a, b) + std::log1p(std::exp(-std::abs(a - b))) - 0.5 * std::log(g);
    kinds.gain += two + 0.5 * (t - mean) * (t - mean) / variance + 0.5 * std::log(variance);
  }
  kinds.gap = std::sqrt(g);
  return true;
}

double correlation(std::span<const double> a, std::span<const double> b) {
  const auto n = static_cast<double>(a.size());
  double x = 0.0;
  double y = 0.0;
  double xx = 0.0;
  double yy = 0.0;
  double xy = 0.0;
  for (std::size_t i = 0; i < a.size(); ++i) {
    x += a[i] / n;
    y += b[i] / n;
    xx += a[i] * a[i] / n;
    yy += b[i] * b[i] / n;
    xy += a[i] * b[i] / n;
  }
  return (xy - x * y) / std::sqrt((xx - x * x) * (yy - y * y) + 1e-20);
}

/// Two kinds begun along each of the first axes, both ways round; what is found twice is kept once.
std::vector<TwoKinds> kinds_along(const Rows& u, std::size_t axes) {
  std::vector<TwoKinds> found;
  for (std::size_t a = 0; a < std::min(begun_axes, axes); ++a) {
    for (const float sign : {1.0F, -1.0F}) {
      std::vector<float> lies(u.count());
      for (std::size_t r = 0; r < u.count(); ++r) lies[r] = sign * u.row(r)[a];
      std::vector<float> sorted = lies;
      const auto cut =
          sorted.begin() +
          static_cast<std::ptrdiff_t>((1.0 - begun_share) * static_cast<double>(sorted.size()));
      std::nth_element(sorted.begin(), cut, sorted.end());
      TwoKinds kinds;
      for (const float v : lies) kinds.second.push_back(v > *cut ? 0.99 : 0.01);
      if (!tell_apart(u, kinds)) continue;
      const bool known = std::any_of(found.begin(), found.end(), [&](const TwoKinds& other) {
        return correlation(other.second, kinds.second) > same_kinds;
      });
      if (!known) found.push_back(std::move(kinds));
    }
  }
  return found;
}

/// What tells a miss by the two kinds. Nothing if either has hardly an event.
/// `u`: the lesson along the axes, of such `variance`; `all`: events that there are in all.
std::optional<MissShape> cues_of(const TwoKinds& kinds, const Rows& lesson, const Rows& u,
                                 std::span<const double> variance_along, std::size_t per_signal,
                                 std::size_t all) {
  const std::size_t D = lesson.width;
  const std::size_t K = variance_along.size();
  // Variances along the axes, means over the samples, of either kind.
  std::array<double, 2> count{};
  std::array<std::vector<float>, 2> sample{std::vector<float>(D, 0.0F),
                                           std::vector<float>(D, 0.0F)};
  std::array<std::vector<double>, 2> sum{std::vector<double>(K, 0.0),
                                         std::vector<double>(K, 0.0)};
  std::array<double, 2> square{};
  for (std::size_t r = 0; r < u.count(); ++r) {
    const std::size_t kind = kinds.second[r] > 0.5 ? 1 : 0;
    count[kind] += 1.0;
    for (std::size_t i = 0; i < D; ++i) sample[kind][i] += lesson.row(r)[i];
    for (std::size_t k = 0; k < K; ++k) {
      const auto v = static_cast<double>(u.row(r)[k]);
      sum[kind][k] += v;
      square[kind] += v * v * variance_along[k];
    }
  }
  if (count[0] < 2.0 || count[1] < 2.0) return std::nullopt;
  std::array<double, 2> variance{};
  for (std::size_t kind = 0; kind < 2; ++kind) {
    variance[kind] = square[kind] / count[kind];
    for (std::size_t k = 0; k < K; ++k)
      variance[kind] -=
          sum[kind][k] / count[kind] * sum[kind][k] / count[kind] * variance_along[k];
    variance[kind] /= variance_along[0] * static_cast<double>(K);
  }
  double low = 0.0;
  double whole = 1e-12;
  for (std::size_t i = 0; i < D; ++i) {
    const double d = static_cast<double>(sample[1][i]) / count[1] -
                     static_cast<double>(sample[0][i]) / count[0];
    whole += d * d;
    if (i < per_signal) low += d * d;
  }
  MissShape shape;
  shape.gain = kinds.gain * static_cast<double>(all) / static_cast<double>(lesson.count());
  shape.gap = kinds.gap;
  shape.steady = std::log((variance[1] + 0.05) / (variance[0] + 0.05));
  shape.in_low = std::log(std::sqrt(low * signal_count / whole) + 0.05);
  return shape;
}

}  // namespace

std::vector<MissShape> miss_shapes(const EventRows& events) {
  std::vector<MissShape> out;
  const std::size_t n = events.rows();
  const std::size_t D = events.width();
  if (n < fewest_events) return out;
  // Every signal in units of its own scatter, and about the mean.
  const std::size_t every = (n + most_taught - 1) / most_taught;
  Rows lesson{D, {}};
  lesson.value.reserve((most_taught + most_taught / 2) * D);
  for (std::size_t r = 0; r < n; ++r) {
    if (events.cycle[r] % every == 0)
      lesson.value.insert(lesson.value.end(), events.row(r), events.row(r) + D);
  }
  const std::size_t lessons = lesson.count();
  if (lessons < fewest_events) return out;
  const auto taught = static_cast<double>(lessons);
  std::vector<float> mean(D, 0.0F);
  std::vector<float> squares(D, 0.0F);
  for (std::size_t r = 0; r < lessons; ++r) {
    for (std::size_t i = 0; i < D; ++i) {
      mean[i] += lesson.row(r)[i];
      squares[i] += lesson.row(r)[i] * lesson.row(r)[i];
    }
  }
  for (float& v : mean) v /= static_cast<float>(taught);
  std::vector<float> scale(D);
  for (std::size_t m = 0; m < signal_count; ++m) {
    const auto first = static_cast<std::ptrdiff_t>(m * events.per_signal);
    const auto size = static_cast<std::ptrdiff_t>(events.per_signal);
    const double power =
        std::accumulate(squares.begin() + first, squares.begin() + first + size, 1e-18);
    std::fill_n(scale.begin() + first, size,
                static_cast<float>(1.0 / std::sqrt(power / (taught * static_cast<double>(size)))));
  }
  for (std::size_t r = 0; r < lessons; ++r) {
    float* const row = lesson.row(r);
    for (std::size_t i = 0; i < D; ++i) row[i] = (row[i] - mean[i]) * scale[i];
  }
  const std::size_t K = std::min(most_axes, lessons / events_per_axis);
  Axes axes = principal_axes(lesson, K);
  const Rows u = along(axes.axis, lesson.value);
  // The same axes for events as they come.
  for (std::size_t k = 0; k < K; ++k) {
    for (std::size_t i = 0; i < D; ++i) axes.axis.row(k)[i] *= scale[i];
  }
  const Rows all = along(axes.axis, events.value);
  const Rows centre = along(axes.axis, mean);

  for (const TwoKinds& kinds : kinds_along(u, K)) {
    auto shape = cues_of(kinds, lesson, u, axes.variance, events.per_signal, n);
    if (!shape) continue;
    shape->missing.resize(n);
    double offset = kinds.offset;
    for (std::size_t k = 0; k < K; ++k)
      offset -= kinds.weight[k] * static_cast<double>(centre.row(0)[k]);
    for (std::size_t r = 0; r < n; ++r) {
      double odds = offset;
      for (std::size_t k = 0; k < K; ++k)
        odds += kinds.weight[k] * static_cast<double>(all.row(r)[k]);
      shape->missing[r] = static_cast<float>(probability_of(odds));
    }
    out.push_back(std::move(*shape));
  }
  return out;
}

}  // namespace pipebeat::core
