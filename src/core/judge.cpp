#include "core/judge.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <span>
#include <utility>

#include "core/lost_pulse.hpp"
#include "core/statistics.hpp"
#include "core/sums.hpp"

namespace pipebeat::core {

namespace {

// Fitted by tools/fit on single events: intercept and weights of EventFeatures.
#include "core/event_table.inc"

constexpr std::size_t template_reach = 7;  // cycles either side that make a local template
constexpr std::size_t level_reach = 10;
constexpr double split_limit = 3.6;        // gap beyond which two kinds of cycles are believed
constexpr double split_ratio_limit = 0.8;  // and how much (log) the position must stand out

/// Values side by side, sorted lane by lane with a network (K. Batcher, AFIPS 32, 1968): the same
/// comparisons for all lanes, so that they run as vector instructions.
constexpr std::size_t sort_lanes = 8;
constexpr std::size_t sort_rows = 2 * template_reach + 1;
using SortRow = std::array<float, sort_lanes>;
using SortBlock = std::array<SortRow, sort_rows>;

struct Comparison {
  std::size_t low, high;
};

/// What Batcher's network for the next power of two compares, without the rows that aren't there.
template <std::size_t rows>
constexpr auto sort_network() {
  std::size_t whole = 1;
  while (whole < rows) whole *= 2;
  struct {
    std::array<Comparison, rows * rows / 2> at{};
    std::size_t count = 0;
  } network;
  for (std::size_t p = 1; p < whole; p *= 2) {
    for (std::size_t k = p; k >= 1; k /= 2) {
      for (std::size_t j = k % p; j + k < whole; j += 2 * k) {
        for (std::size_t i = j; i < j + k && i + k < whole; ++i) {
          if (i / (2 * p) == (i + k) / (2 * p) && i + k < rows) network.at[network.count++] = {i, i + k};
        }
      }
    }
  }
  return network;
}

[[gnu::always_inline]] inline void put_in_order(SortRow& low, SortRow& high) {
  const SortRow a = low;  // copies, so that the compiler sees that the rows don't overlap
  const SortRow b = high;
  for (std::size_t l = 0; l < sort_lanes; ++l) low[l] = std::min(a[l], b[l]);
  for (std::size_t l = 0; l < sort_lanes; ++l) high[l] = std::max(a[l], b[l]);
}

/// Sorts the first `rows` rows. Written out, so that what nobody reads need not be computed.
template <std::size_t rows>
[[gnu::always_inline]] inline void sort_columns(SortBlock& v) {
  constexpr auto network = sort_network<rows>();
  [&]<std::size_t... i>(std::index_sequence<i...>) __attribute__((always_inline)) {
    (put_in_order(v[network.at[i].low], v[network.at[i].high]), ...);
  }(std::make_index_sequence<network.count>{});
}

/// model[c]: per sample of the cycle, the median of the cycles around c. `per_cycle`: a multiple of the lanes.
PIPEBEAT_WIDE void running_median(std::span<const float> value, std::size_t cycles, std::size_t per_cycle, std::span<float> model) {
  constexpr std::size_t reach = template_reach;
  const auto row_at = [&](std::size_t cycle, std::size_t i) { return value.data() + cycle * per_cycle + i; };
  // Four neighbours whose windows are whole share all cycles but three each. The shared ones are sorted once. Of two
  // sorted rows together the k-th value is the least, over j, of the larger one of the j-th of the one and the
  // (k - j)-th of the other.
  constexpr std::size_t together = 4;
  constexpr std::size_t apart = together - 1;
  constexpr std::size_t shared = 2 * reach + 1 - apart;
  for (std::size_t c = 0; c < cycles; ++c) {
    if (c >= reach && c + apart + reach < cycles) {
      const std::size_t low = c + apart - reach;  // first shared cycle
      for (std::size_t i = 0; i < per_cycle; i += sort_lanes) {
        SortBlock block;
        for (std::size_t q = 0; q < shared; ++q) std::copy_n(row_at(low + q, i), sort_lanes, block[q].begin());
        sort_columns<shared>(block);
        for (std::size_t w = 0; w < together; ++w) {
          SortBlock own;
          for (std::size_t q = 0; q < apart; ++q) {
            const std::size_t cycle = q < apart - w ? low - apart + w + q : low + shared + q - (apart - w);
            std::copy_n(row_at(cycle, i), sort_lanes, own[q].begin());
          }
          sort_columns<apart>(own);
          for (std::size_t l = 0; l < sort_lanes; ++l) {
            float middle = block[reach][l];
            for (std::size_t j = 0; j < apart; ++j) middle = std::min(middle, std::max(block[reach - 1 - j][l], own[j][l]));
            model[(c + w) * per_cycle + i + l] = middle;
          }
        }
      }
      c += apart;
      continue;
    }
    const std::size_t low = c >= reach ? c - reach : 0;
    const std::size_t count = std::min(cycles - 1, c + reach) - low + 1;
    for (std::size_t i = 0; i < per_cycle; i += sort_lanes) {
      SortBlock block;
      for (auto& row : block) row.fill(std::numeric_limits<float>::max());
      for (std::size_t q = 0; q < count; ++q) std::copy_n(row_at(low + q, i), sort_lanes, block[q].begin());
      sort_columns<sort_rows>(block);
      std::copy_n(block[count / 2].begin(), sort_lanes, model.data() + c * per_cycle + i);
    }
  }
}

/// Signals in the angle domain, every cycle in units of its local strength, with what the cycles
/// around it look like.
struct Rolled {
  std::size_t size = 0;  ///< cycles x samples per cycle
  std::array<std::vector<float>, signal_count> value;
  std::array<std::vector<float>, signal_count> model;  ///< running median over cycles
  std::array<double, signal_count> noise{};            ///< robust variance of value - model
};

Rolled roll(const Folded& folded, const PulseFit& pulses, double slot) {
  const std::size_t C = folded.cycles;
  const std::size_t M = folded.per_cycle;
  const auto blur = std::max<std::size_t>(1, static_cast<std::size_t>(std::lround(slot / 12.0)));
  Rolled out;
  out.size = C * M;
  std::vector<double> cumulative(C * M + 1, 0.0);
  for (std::size_t m = 0; m < signal_count; ++m) {
    for (std::size_t c = 0; c < C; ++c) {
      const double scale = pulses.signal[m].scale[c];
      const double mean = pulses.signal[m].mean[c];
      for (std::size_t i = 0; i < M; ++i) {
        cumulative[c * M + i + 1] = cumulative[c * M + i] + (folded.value[m][c * M + i] - mean) / scale;
      }
    }
    auto& y = out.value[m];
    y.resize(C * M);
    for (std::size_t i = 0; i < C * M; ++i) {
      const std::size_t low = i >= blur ? i - blur : 0;
      const std::size_t high = std::min(C * M, i + blur + 1);
      y[i] = static_cast<float>((cumulative[high] - cumulative[low]) / static_cast<double>(high - low));
    }
    auto& model = out.model[m];
    model.resize(C * M);
    running_median(y, C, M, model);
    std::vector<float> square;
    square.reserve(C * M / 3 + 1);
    for (std::size_t i = 0; i < C * M; i += 3) square.push_back((y[i] - model[i]) * (y[i] - model[i]));
    out.noise[m] = 2.2 * static_cast<double>(median(std::move(square))) + 1e-6;
  }
  return out;
}

/// The window of every position: from one quiet moment between pulses to the next.
struct Windows {
  int offset = 0;
  std::vector<std::size_t> begin;  ///< first sample within the cycle, before the offset
  std::vector<std::size_t> width;

  [[nodiscard]] std::ptrdiff_t at(std::size_t cycle, std::size_t position, std::size_t per_cycle) const {
    return static_cast<std::ptrdiff_t>(cycle * per_cycle + begin[position]) + offset;
  }
};

Windows find_windows(const Rolled& rolled, const Engine& engine, std::size_t M, int onset, const std::vector<bool>& running) {
  const std::size_t P = engine.positions().size();
  const auto slot = static_cast<int>(M / P);
  Windows w;
  for (std::size_t p = 0; p < P; ++p) {
    w.begin.push_back(static_cast<std::size_t>(std::lround(engine.positions()[p].angle.value() / engine.cycle().value() * static_cast<double>(M))));
  }
  for (std::size_t p = 0; p < P; ++p) {
    const std::size_t next = p + 1 < P ? w.begin[p + 1] : M;
    w.width.push_back(std::max<std::size_t>(2, std::min(next - w.begin[p], M * 13 / (10 * P))));
  }
  // Mean template of the running cycles, and where it is quiet at all window edges together.
  double best = 1e30;
  for (int o = onset - slot / 2; o < onset + (slot + 1) / 2; ++o) {
    double cost = 0.0;
    for (std::size_t m = 0; m < signal_count; ++m) {
      double edge = 0.0;
      double all = 1e-9;
      for (std::size_t c = 1; c + 1 < running.size(); ++c) {
        if (!running[c]) continue;
        for (std::size_t p = 0; p < P; ++p) {
          const auto i = static_cast<std::size_t>(static_cast<std::ptrdiff_t>(c * M + w.begin[p]) + o);
          edge += rolled.model[m][i] * rolled.model[m][i];
        }
        const auto i = static_cast<std::size_t>(static_cast<std::ptrdiff_t>(c * M) + o);
        for (std::size_t k = 0; k < M; k += 4) {
          all += rolled.model[m][std::min(i + k, rolled.size - 1)] * rolled.model[m][std::min(i + k, rolled.size - 1)];
        }
      }
      cost += edge / all / (0.2 + rolled.noise[m]);
    }
    if (cost < best) {
      best = cost;
      w.offset = o;
    }
  }
  return w;
}

/// One pulse against its template: sums over the window.
struct AgainstTemplate {
  double push = 0.0;  ///< what it lacks, along the template's slope
  double hold = 0.0;  ///< the slope's square
  double lack = 0.0;  ///< what it lacks, along the template
  double power = 0.0;
};

/// `pulse`, `model`: `count` samples each, the template with one more at either end.
PIPEBEAT_WIDE AgainstTemplate against_template(const float* pulse, const float* model, std::size_t count) {
  const auto lack = [&](std::size_t i) { return model[i] - pulse[i]; };
  const auto slope = [&](std::size_t i) { return 0.5F * (model[i + 1] - *(model + i - 1)); };
  return {sum_of(count, [&](std::size_t i) { return lack(i) * slope(i); }), sum_of(count, [&](std::size_t i) { return slope(i) * slope(i); }),
          sum_of(count, [&](std::size_t i) { return lack(i) * model[i]; }), dot(model, model, count)};
}

/// Far beyond a few, more says little more.
double signed_log(double x) { return std::copysign(std::log1p(std::abs(x)), x); }

double skewness(const std::vector<double>& z) {
  double cube = 0.0;
  for (const double x : z) {
    const double y = std::clamp(x, -8.0, 8.0);
    cube += y * y * y;
  }
  return z.empty() ? 0.0 : std::clamp(std::cbrt(cube / static_cast<double>(z.size())), -6.0, 6.0);
}

/// Two kinds of cycles at one position, if there are two: first principal component of the
/// window over all signals, split where the within-class variance is least (N. Otsu, IEEE Trans.
/// SMC 9, 1979).
struct Split {
  double scatter = 0.0;     ///< variance along the component, in units of noise
  double gap = 0.0;         ///< distance of the two means in within-class deviations
  double share = 0.0;       ///< share of cycles of the second kind
  std::vector<float> kind;  ///< per cycle, probability of being of the second kind
};

/// How far every row of `x`, `count` rows of `size` values about their mean, lies along the first
/// principal component: power iteration, begun from the most unusual row.
PIPEBEAT_WIDE std::vector<double> along_first_component(const std::vector<float>& x, std::size_t count, std::size_t size) {
  const auto row = [&](std::size_t r) { return x.data() + r * size; };
  std::size_t unusual = 0;
  float most = -1.0F;
  for (std::size_t r = 0; r < count; ++r) {
    const float square = dot(row(r), row(r), size);
    if (square > most) {
      most = square;
      unusual = r;
    }
  }
  std::vector<float> axis(row(unusual), row(unusual) + size);
  std::vector<float> next(size);
  std::vector<double> along(count);
  for (int round = 0; round < 12; ++round) {
    const float scale = 1.0F / (std::sqrt(dot(axis.data(), axis.data(), size)) + 1e-12F);
    for (float& a : axis) a *= scale;
    std::fill(next.begin(), next.end(), 0.0F);
    for (std::size_t r = 0; r < count; ++r) {
      const float part = dot(row(r), axis.data(), size);
      along[r] = part;
      for (std::size_t d = 0; d < size; ++d) next[d] += part * row(r)[d];
    }
    std::swap(axis, next);
  }
  return along;
}

Split split_position(const Rolled& rolled, const Windows& windows, std::size_t position, std::size_t M,
                     const std::vector<bool>& running) {
  const std::size_t C = running.size();
  const std::size_t W = windows.width[position];
  const std::size_t D = W * signal_count;
  std::vector<std::size_t> rows;
  for (std::size_t c = 0; c < C; ++c) {
    const std::ptrdiff_t i = windows.at(c, position, M);
    if (running[c] && i >= 0 && i + static_cast<std::ptrdiff_t>(W) <= static_cast<std::ptrdiff_t>(rolled.size)) rows.push_back(c);
  }
  Split out;
  out.kind.assign(C, 0.0F);
  if (rows.size() < 10) return out;
  std::vector<float> x(rows.size() * D);
  std::vector<double> mean(D, 0.0);
  for (std::size_t r = 0; r < rows.size(); ++r) {
    const auto at = static_cast<std::size_t>(windows.at(rows[r], position, M));
    for (std::size_t m = 0; m < signal_count; ++m) {
      const auto scale = static_cast<float>(1.0 / std::sqrt(rolled.noise[m]));
      for (std::size_t i = 0; i < W; ++i) {
        const float v = rolled.value[m][at + i] * scale;
        x[r * D + m * W + i] = v;
        mean[m * W + i] += v / static_cast<double>(rows.size());
      }
    }
  }
  for (std::size_t r = 0; r < rows.size(); ++r) {
    for (std::size_t d = 0; d < D; ++d) x[r * D + d] -= static_cast<float>(mean[d]);
  }
  const std::vector<double> along = along_first_component(x, rows.size(), D);
  std::vector<double> sorted = along;
  std::sort(sorted.begin(), sorted.end());
  const std::size_t n = sorted.size();
  std::vector<double> sum(n + 1, 0.0);
  std::vector<double> square(n + 1, 0.0);
  for (std::size_t i = 0; i < n; ++i) {
    sum[i + 1] = sum[i] + sorted[i];
    square[i + 1] = square[i] + sorted[i] * sorted[i];
  }
  out.scatter = square[n] / static_cast<double>(n);
  double best = 1e300;
  std::size_t cut = n / 2;
  constexpr std::size_t fewest = 3;
  for (std::size_t k = fewest; k + fewest <= n; ++k) {
    const double a = square[k] - sum[k] * sum[k] / static_cast<double>(k);
    const double rest = sum[n] - sum[k];
    const double b = square[n] - square[k] - rest * rest / static_cast<double>(n - k);
    if (a + b < best) {
      best = a + b;
      cut = k;
    }
  }
  const double low = sum[cut] / static_cast<double>(cut);
  const double high = (sum[n] - sum[cut]) / static_cast<double>(n - cut);
  const double within = std::max(1.0, best / static_cast<double>(n));
  out.gap = (high - low) / std::sqrt(within);
  out.share = static_cast<double>(n - cut) / static_cast<double>(n);
  for (std::size_t r = 0; r < rows.size(); ++r) {
    const double odds = (high - low) * (along[r] - 0.5 * (low + high)) / within;
    out.kind[rows[r]] = static_cast<float>(1.0 / (1.0 + std::exp(-odds)));
  }
  return out;
}

// Fitted by tools/fit: weights of SplitCues in the choice of position and kind.
#include "core/split_table.inc"

/// Which of the two kinds at which position are misses. A fired pulse looks like those of the other
/// positions; a cylinder that does not burn draws gas in, so its pulse may well be the louder one,
/// but it repeats more exactly than combustion does, and the crank is late after it.
std::vector<SplitChoice> split_choices(const Rolled& rolled, const Windows& windows, std::size_t M,
                                       const std::vector<bool>& running, const std::vector<Split>& splits,
                                       const std::vector<EventFeatures>& features, const LostPulse& lost_pulse) {
  const std::size_t P = splits.size();
  const std::size_t C = running.size();
  const auto slot = static_cast<double>(M) / static_cast<double>(P);
  const auto lead = static_cast<std::ptrdiff_t>(slot / 8.0);
  const auto W = std::max<std::size_t>(4, static_cast<std::size_t>(1.25 * slot));
  constexpr std::size_t drop = 9;   // of EventFeatures: level drop, 120 to 400 Hz
  constexpr std::size_t kink = 1;   // delay kink over two events
  const auto window = [&](std::size_t c, std::size_t p) { return windows.at(c, p, M) - lead; };
  const auto inside = [&](std::ptrdiff_t at) { return at >= 0 && at + static_cast<std::ptrdiff_t>(W) <= static_cast<std::ptrdiff_t>(rolled.size); };
  struct Mean {
    std::array<std::vector<double>, signal_count> value;
    double variance = 0.0;  ///< per sample, all signals
    double count = 0.0;
    double drop = 0.0;
    double kink = 0.0;
  };
  const auto mean_of = [&](std::size_t p, auto wanted) {
    Mean mean;
    for (auto& v : mean.value) v.assign(W, 0.0);
    double square = 0.0;
    for (std::size_t c = 0; c < C; ++c) {
      const std::ptrdiff_t at = window(c, p);
      if (!running[c] || !inside(at) || !wanted(c)) continue;
      mean.count += 1.0;
      mean.drop += features[c * P + p][drop];
      mean.kink += features[c * P + p][kink];
      for (std::size_t m = 0; m < signal_count; ++m) {
        const double scale = 1.0 / std::sqrt(rolled.noise[m]);
        for (std::size_t i = 0; i < W; ++i) {
          const double v = rolled.value[m][static_cast<std::size_t>(at) + i] * scale;
          mean.value[m][i] += v;
          square += v * v;
        }
      }
    }
    const double n = std::max(1.0, mean.count);
    mean.drop /= n;
    mean.kink /= n;
    mean.variance = square / n;
    for (auto& values : mean.value) {
      for (double& v : values) {
        v /= n;
        mean.variance -= v * v;
      }
    }
    mean.variance = std::max(0.0, mean.variance) / static_cast<double>(W * signal_count);
    return mean;
  };
  std::vector<Mean> whole;
  std::vector<double> scatters;
  for (std::size_t p = 0; p < P; ++p) {
    whole.push_back(mean_of(p, [](std::size_t) { return true; }));
    scatters.push_back(splits[p].scatter + 1e-6);
  }
  std::sort(scatters.begin(), scatters.end());
  const double usual = scatters[(P - 1) / 2];
  const auto distance = [&](const std::vector<double>& a, const std::vector<double>& b) {
    double sum = 0.0;
    for (std::size_t i = 0; i < W; ++i) sum += (a[i] - b[i]) * (a[i] - b[i]);
    return std::sqrt(sum);
  };
  std::vector<SplitChoice> out;
  for (std::size_t p = 0; p < P; ++p) {
    const std::array<Mean, 2> kinds{mean_of(p, [&](std::size_t c) { return splits[p].kind[c] < 0.5F; }),
                                    mean_of(p, [&](std::size_t c) { return splits[p].kind[c] >= 0.5F; })};
    if (kinds[0].count < 3.0 || kinds[1].count < 3.0) continue;
    Mean others;
    for (std::size_t m = 0; m < signal_count; ++m) {
      others.value[m].assign(W, 0.0);
      for (std::size_t q = 0; q < P; ++q) {
        for (std::size_t i = 0; i < W && q != p; ++i) others.value[m][i] += whole[q].value[m][i] / static_cast<double>(P - 1);
      }
    }
    std::vector<float> second(C * P, 0.0F);
    for (std::size_t c = 0; c < C; ++c) second[c * P + p] = running[c] ? splits[p].kind[c] : 0.0F;
    const LostPulse::Loss loss = lost_pulse.with(second);
    const auto unlike = [&](const Mean& kind, std::size_t m) { return distance(kind.value[m], others.value[m]); };
    const auto unlike_nearest = [&](const Mean& kind) {
      double best = P > 1 ? 1e30 : distance(kind.value[0], others.value[0]);
      for (std::size_t q = 0; q < P; ++q) {
        if (q != p) best = std::min(best, distance(kind.value[0], whole[q].value[0]));
      }
      return best;
    };
    for (std::size_t k = 0; k < 2; ++k) {
      const Mean& missing = kinds[k];
      const Mean& fired = kinds[1 - k];
      const auto against = [](double a, double b) { return (a - b) / (a + b + 1e-9); };
      const double sign = k == 1 ? 1.0 : -1.0;
      SplitChoice choice;
      choice.position = p;
      choice.second_kind = k == 1;
      choice.cues = {std::min(splits[p].gap, 15.0),
                     std::min(std::log((splits[p].scatter + 1e-6) / usual), 6.0),
                     against(unlike(missing, 0), unlike(fired, 0)),
                     against(unlike_nearest(missing), unlike_nearest(fired)),
                     against(unlike(missing, 1), unlike(fired, 1)),
                     against(unlike(missing, 3), unlike(fired, 3)),
                     std::clamp(missing.drop - fired.drop, -6.0, 6.0) / 2.0,
                     std::clamp(missing.kink - fired.kink, -4.0, 4.0),
                     std::clamp(std::log((missing.variance + 0.05) / (fired.variance + 0.05)), -2.0, 2.0),
                     0.5 - missing.count / (missing.count + fired.count),
                     sign * signed_log(loss.sureness), sign * loss.low, sign * loss.high};
      for (std::size_t i = 0; i < split_cue_count; ++i) choice.score += split_weight[i] * choice.cues[i];
      choice.missing.assign(C, 0.0F);
      for (std::size_t c = 0; c < C; ++c) {
        if (running[c]) choice.missing[c] = k == 1 ? splits[p].kind[c] : 1.0F - splits[p].kind[c];
      }
      choice.share = k == 1 ? splits[p].share : 1.0 - splits[p].share;
      out.push_back(std::move(choice));
    }
  }
  std::stable_sort(out.begin(), out.end(), [](const SplitChoice& a, const SplitChoice& b) { return a.score > b.score; });
  return out;
}

// Fitted by tools/fit: weights of ShapeCues in the choice of what misses look like.
#include "core/shape_table.inc"

/// Shapes that scattered misses may have, likeliest first. `score`: of every event by itself.
std::vector<ShapeChoice> shape_choices(const Rolled& rolled, const Windows& windows, std::size_t M, std::size_t P,
                                       const std::vector<bool>& running, const std::vector<double>& score,
                                       const LostPulse& lost_pulse) {
  // A pulse and what rings on of it, from a little before its window.
  constexpr double samples_per_slot = 6.0;
  constexpr std::size_t samples = 13;
  constexpr double lead_slots = 0.15;
  const std::size_t C = running.size();
  std::array<std::ptrdiff_t, samples> place{};
  for (std::size_t i = 0; i < samples; ++i) {
    const double slots = (static_cast<double>(i) + 0.5) / samples_per_slot - lead_slots;
    place[i] = static_cast<std::ptrdiff_t>(std::floor(slots * static_cast<double>(M) / static_cast<double>(P)));
  }
  EventRows events;
  events.per_signal = samples;
  const auto most = static_cast<std::size_t>(std::count(running.begin(), running.end(), true)) * P;
  events.value.reserve(most * samples * signal_count);
  std::vector<std::size_t> number;
  for (std::size_t c = 0; c < C; ++c) {
    for (std::size_t p = 0; p < P && running[c]; ++p) {
      const std::ptrdiff_t begin = windows.at(c, p, M);
      if (begin + place.front() < 0 || begin + place.back() >= static_cast<std::ptrdiff_t>(rolled.size)) continue;
      events.cycle.push_back(c);
      number.push_back(c * P + p);
      for (std::size_t m = 0; m < signal_count; ++m) {
        const float* const value = rolled.value[m].data() + begin;
        const float* const model = rolled.model[m].data() + begin;
        for (const std::ptrdiff_t at : place) events.value.push_back(value[at] - model[at]);
      }
    }
  }
  std::vector<ShapeChoice> out;
  for (MissShape& shape : miss_shapes(events)) {
    ShapeChoice choice;
    choice.missing.assign(C * P, 0.0F);
    const auto n = static_cast<double>(number.size());
    double sum = 0.0;
    double square = 0.0;
    double neighbours = 0.0;
    double of_missing = 0.0;
    double of_fired = 0.0;
    double missing = 0.0;
    std::vector<double> by_position(P, 0.0);
    for (std::size_t r = 0; r < number.size(); ++r) {
      const double z = shape.missing[r];
      choice.missing[number[r]] = shape.missing[r];
      by_position[number[r] % P] += z;
      sum += z;
      square += z * z;
      if (r > 0) neighbours += z * shape.missing[r - 1];
      missing += z > 0.5 ? 1.0 : 0.0;
      (z > 0.5 ? of_missing : of_fired) += score[number[r]];
    }
    if (missing == 0.0 || missing == n) continue;
    const double share = sum / n;
    const double focus = *std::max_element(by_position.begin(), by_position.end()) / sum;
    const auto positions = static_cast<double>(P);
    choice.cues = {std::log(std::max(shape.gain, 1e-3)),
                   std::log(shape.gap),
                   std::log(share + 1e-3),
                   P > 1 ? (focus * positions - 1.0) / (positions - 1.0) : 0.0,
                   signed_log(lost_pulse.with(choice.missing).sureness),
                   std::clamp(of_missing / missing - of_fired / (n - missing), -4.0, 6.0),
                   shape.steady,
                   (neighbours / n - share * share) / (square / n - share * share + 1e-9),
                   shape.in_low};
    for (std::size_t i = 0; i < shape_cue_count; ++i) choice.score += shape_weight[i] * choice.cues[i];
    out.push_back(std::move(choice));
  }
  std::stable_sort(out.begin(), out.end(), [](const ShapeChoice& a, const ShapeChoice& b) { return a.score > b.score; });
  return out;
}

}  // namespace

Judgement judge_events(const Folded& folded, const CycleSpectra& spectra, const Engine& engine,
                       const PulseFit& pulses, const std::vector<bool>& running) {
  const std::size_t C = pulses.cycles;
  const std::size_t P = pulses.positions;
  const std::size_t M = folded.per_cycle;
  Judgement out;
  out.missing.assign(C * P, 0.0F);
  out.if_intermittent.assign(C * P, 0.0F);
  out.features.assign(C * P, EventFeatures{});
  const auto used = static_cast<std::size_t>(std::count(running.begin(), running.end(), true));
  if (used < 6) return out;
  const double slot = static_cast<double>(M) / static_cast<double>(P);
  const Rolled rolled = roll(folded, pulses, slot);
  const Windows windows = find_windows(rolled, engine, M, pulses.offset, running);
  out.offset = windows.offset;

  // Delay against the local template, per event, in slots: least squares on the template's slope,
  // all signals together. And what the pulse lacks of the template.
  std::array<std::vector<double>, event_feature_count> raw;
  for (auto& r : raw) r.assign(C * P, 0.0);
  std::vector<double> delay(C * P, 0.0);
  std::vector<double> stiffness;
  std::vector<double> push(C * P, 0.0);
  std::vector<double> hold(C * P, 0.0);
  for (std::size_t c = 0; c < C; ++c) {
    for (std::size_t p = 0; p < P; ++p) {
      const std::size_t e = c * P + p;
      const auto begin = static_cast<std::size_t>(std::clamp<std::ptrdiff_t>(windows.at(c, p, M), 1, static_cast<std::ptrdiff_t>(rolled.size) - 2));
      const std::size_t end = std::min(rolled.size - 1, begin + windows.width[p]);
      const double length = static_cast<double>(end - begin);
      for (std::size_t m = 0; m < signal_count; ++m) {
        const auto a = against_template(rolled.value[m].data() + begin, rolled.model[m].data() + begin, end - begin);
        push[e] += a.push / rolled.noise[m];
        hold[e] += a.hold / rolled.noise[m];
        raw[3 + m][e] = a.lack / (a.power + 0.3 * length * rolled.noise[m]);
      }
      if (running[c]) stiffness.push_back(hold[e]);
    }
  }
  const double ridge = 0.1 * median(std::move(stiffness)) + 1e-9;
  for (std::size_t e = 0; e < C * P; ++e) delay[e] = push[e] / (hold[e] + ridge) / slot;
  const auto n = static_cast<std::ptrdiff_t>(C * P);
  const auto at = [&](std::ptrdiff_t e) { return delay[static_cast<std::size_t>(std::clamp<std::ptrdiff_t>(e, 0, n - 1))]; };
  for (std::ptrdiff_t e = 0; e < n; ++e) {
    for (std::ptrdiff_t a = 1; a <= 3; ++a) {
      raw[static_cast<std::size_t>(a - 1)][static_cast<std::size_t>(e)] = (at(e + a) - at(e)) - (at(e) - at(e - a));
    }
  }

  std::vector<float> near;  // levels of the cycles around one, in order
  for (std::size_t m = 0; m < signal_count; ++m) {
    const auto& level = pulses.signal[m].event_level;
    std::vector<double> all;
    for (std::size_t p = 0; p < P; ++p) {
      near.clear();
      const auto value = [&](std::size_t c) { return level[c * P + p]; };
      for (std::size_t c = 0; c < std::min(C, level_reach); ++c) {
        if (running[c]) near.push_back(value(c));
      }
      std::sort(near.begin(), near.end());
      for (std::size_t c = 0; c < C; ++c) {
        const std::size_t comes = c + level_reach;
        if (comes < C && running[comes]) near.insert(std::upper_bound(near.begin(), near.end(), value(comes)), value(comes));
        if (c > level_reach && running[c - level_reach - 1]) {
          const auto goes = std::lower_bound(near.begin(), near.end(), value(c - level_reach - 1));
          if (goes != near.end()) near.erase(goes);
        }
        if (!running[c]) continue;
        // Against the upper quarter: a position that misses half its events still shows fired ones.
        raw[8 + m][c * P + p] = near[3 * near.size() / 4] - value(c);
        all.push_back(raw[8 + m][c * P + p]);
      }
    }
    const double centre = median(std::move(all));
    for (double& v : raw[8 + m]) v -= centre;
  }

  // In robust standard deviations of the recording.
  std::array<double, event_feature_count> scatter{};
  for (std::size_t f = 0; f < event_feature_count; ++f) {
    std::vector<double> size;
    size.reserve(used * P);
    for (std::size_t e = 0; e < C * P; ++e) {
      if (running[e / P]) size.push_back(std::abs(raw[f][e]));
    }
    scatter[f] = 1.4826 * median(std::move(size)) + 1e-6;
  }
  std::vector<double> score(C * P, 0.0);
  for (std::size_t e = 0; e < C * P; ++e) {
    if (!running[e / P]) continue;
    double s = event_intercept;
    for (std::size_t f = 0; f < event_feature_count; ++f) {
      const double x = std::clamp(raw[f][e] / scatter[f], -8.0, 8.0);
      out.features[e][f] = static_cast<float>(x);
      s += event_weight[f] * x;
    }
    score[e] = s;
    out.missing[e] = static_cast<float>(1.0 / (1.0 + std::exp(-s)));
  }

  EventCrowd& crowd = out.crowd;
  const auto tail = [&](std::size_t f) {
    std::vector<double> z;
    z.reserve(used * P);
    for (std::size_t e = 0; e < C * P; ++e) {
      if (running[e / P]) z.push_back(static_cast<double>(out.features[e][f]));
    }
    return skewness(z);
  };
  crowd.kink_tail = tail(1);
  crowd.low_tail = tail(8);
  crowd.e1_tail = tail(9);
  crowd.e4_tail = tail(12);

  // How much more one position scatters than the others: an intermittent one does, whatever the
  // share of its misses.
  const auto spread = [&](std::size_t f) {
    std::vector<double> by(P, 0.0);
    for (std::size_t p = 0; p < P; ++p) {
      double square = 0.0;
      for (std::size_t c = 0; c < C; ++c) {
        if (running[c]) square += out.features[c * P + p][f] * out.features[c * P + p][f];
      }
      by[p] = std::sqrt(square / static_cast<double>(used)) + 1e-3;
    }
    const double top = *std::max_element(by.begin(), by.end());
    std::sort(by.begin(), by.end());
    return std::log(top / by[(P - 1) / 2]);
  };
  crowd.kink_spread = spread(1);
  crowd.low_spread = spread(3);
  crowd.e1_spread = spread(4);
  crowd.e3_spread = spread(6);
  crowd.e4_spread = spread(7);

  const LostPulse lost_pulse{engine, spectra, pulses, running};
  out.shapes = shape_choices(rolled, windows, M, P, running, score, lost_pulse);
  if (!out.shapes.empty()) crowd.shape = out.shapes.front().cues;
  std::vector<Split> splits;
  for (std::size_t p = 0; p < P; ++p) splits.push_back(split_position(rolled, windows, p, M, running));
  out.splits = split_choices(rolled, windows, M, running, splits, out.features, lost_pulse);
  if (!out.splits.empty()) {
    const SplitChoice& likeliest = out.splits.front();
    crowd.split_gap = likeliest.cues[0];
    crowd.split_ratio = likeliest.cues[1];
    crowd.split_share = likeliest.share;
    crowd.split_score = likeliest.score;
    crowd.split_unlike = likeliest.cues[2];
    crowd.split_steady = likeliest.cues[8];
    crowd.split_lost = likeliest.cues[10];
  }
  const auto stands_out = [](const SplitChoice& choice) {
    return choice.cues[0] >= split_limit && choice.cues[1] >= split_ratio_limit;
  };
  // Likeliest first: a miss rings on into the windows that follow, where the same cycles differ again.
  std::vector<const SplitChoice*> taken;
  std::vector<bool> done(P, false);
  for (const SplitChoice& choice : out.splits) {
    const std::size_t p = choice.position;
    if (done[p]) continue;
    done[p] = true;
    const bool likeliest = &choice == &out.splits.front();
    const bool plain = stands_out(choice);
    if (!plain && !likeliest) continue;
    const bool echo = std::any_of(taken.begin(), taken.end(), [&](const SplitChoice* other) {
      double same = 0.0;
      double count = 1e-9;
      for (std::size_t c = 0; c < C; ++c) {
        if (!running[c]) continue;
        count += 1.0;
        same += (choice.missing[c] >= 0.5F) == (other->missing[c] >= 0.5F) ? 1.0 : 0.0;
      }
      // The same cycles, or exactly the others: what rings may look stronger or weaker.
      return std::abs(same / count - 0.5) > 0.35;
    });
    if (!echo) taken.push_back(&choice);
    for (std::size_t c = 0; c < C && !echo; ++c) {
      if (running[c]) out.if_intermittent[c * P + p] = choice.missing[c];
    }
    for (std::size_t c = 0; c < C && plain; ++c) {
      if (!running[c]) continue;
      const double w = echo ? 1e-4 : std::clamp<double>(choice.missing[c], 1e-4, 1.0 - 1e-4);
      out.missing[c * P + p] = static_cast<float>(w);
      score[c * P + p] = std::log(w / (1.0 - w));
    }
  }

  // The same ringing may make single events beside a split position look weak.
  std::vector<bool> is_split(P, false);
  for (const SplitChoice* choice : taken) is_split[choice->position] = stands_out(*choice);
  for (std::size_t e = 0; e < C * P && !taken.empty(); ++e) {
    if (!running[e / P] || is_split[e % P] || out.missing[e] < 0.5F) continue;
    const auto misses_beside = [&](std::size_t other) {
      return other < C * P && is_split[other % P] && out.missing[other] >= 0.5F;
    };
    if (!misses_beside(e + 1) && !(e > 0 && misses_beside(e - 1))) continue;
    out.missing[e] = 0.0F;
    score[e] = event_intercept;
  }

  // Told by the shape that they share, where they share one; the crowd is of events by themselves.
  if (!out.shapes.empty()) out.missing = out.shapes.front().missing;

  double count = 0.0;
  double sum = 0.0;
  double pairs = 0.0;
  double opposite = 0.0;  // as far above the template as a miss lies below it
  std::vector<double> by_position(P, 0.0);
  for (std::size_t c = 0; c < C; ++c) {
    if (!running[c]) continue;
    for (std::size_t p = 0; p < P; ++p) {
      const double s = score[c * P + p];
      if (s < 2.0 * event_intercept) opposite += 1.0;
      if (s < 0.0) continue;
      count += 1.0;
      sum += s;
      by_position[p] += 1.0;
      if (c > 0 && running[c - 1] && score[(c - 1) * P + p] > 0.0) pairs += 1.0;
    }
  }
  const double events = static_cast<double>(used * P);
  crowd.share = std::sqrt(count / events);
  crowd.excess = (count - opposite) / events;
  if (count > 0.0) {
    crowd.gap = std::min(sum / count, 10.0);
    crowd.focus = *std::max_element(by_position.begin(), by_position.end()) / count - 1.0 / static_cast<double>(P);
    crowd.pairs = pairs / count;
  }
  return out;
}

}  // namespace pipebeat::core
