#include "core/seams.hpp"

#include <algorithm>
#include <cmath>
#include <complex>
#include <cstdint>
#include <numbers>
#include <utility>

#include "core/sums.hpp"

namespace pipebeat::core {

namespace {

using Line = std::complex<float>;

/// Cycles on one phase: turned by `turn` steps they lie on the mean cycle.
struct Stretch {
  std::size_t begin, end;
  std::size_t turn;
};

[[gnu::always_inline]] inline double product(const Line* a, const Line* b, std::size_t count) {
  return static_cast<double>(
      dot(reinterpret_cast<const float*>(a), reinterpret_cast<const float*>(b), 2 * count));
}

/// All lines of all signals of a cycle side by side, each divided by its scatter from one cycle to
/// the next.
class Whitened {
 public:
  Whitened(const CycleSpectra& from, const std::vector<bool>& use)
      : cycles{from.cycles},
        lines{from.lines},
        width{signal_count * lines},
        value_(cycles * width) {
    for (std::size_t m = 0; m < signal_count; ++m) add(from, m, use);
  }

  const std::size_t cycles, lines, width;
  [[nodiscard]] const Line* cycle(std::size_t c) const { return value_.data() + c * width; }

 private:
  PIPEBEAT_WIDE void add(const CycleSpectra& from, std::size_t m, const std::vector<bool>& use) {
    const auto* const x = reinterpret_cast<const float*>(from.value[m].data());
    std::vector<float> scatter(2 * lines, 0.0F);
    float pairs = 1e-9F;
    for (std::size_t c = 0; c + 1 < cycles; ++c) {
      if (!use[c] || !use[c + 1]) continue;
      pairs += 1.0F;
      const float* const own = x + c * 2 * lines;
      const float* const next = own + 2 * lines;
      for (std::size_t i = 0; i < 2 * lines; ++i)
        scatter[i] += (next[i] - own[i]) * (next[i] - own[i]);
    }
    // What is far below the whole signal is no beat, see `cycle_lines`.
    const auto least = static_cast<float>((m == 0 ? 1e-7 : 1e-5) * from.power[m] + 1e-30);
    for (std::size_t k = 0; k < lines; ++k) {
      const float both = 0.5F * (scatter[2 * k] + scatter[2 * k + 1]) / pairs;
      scatter[2 * k] = scatter[2 * k + 1] = 1.0F / std::sqrt(both + least);
    }
    auto* const out = reinterpret_cast<float*>(value_.data());
    for (std::size_t c = 0; c < cycles; ++c) {
      for (std::size_t i = 0; i < 2 * lines; ++i)
        out[2 * (c * width + m * lines) + i] = scatter[i] * x[c * 2 * lines + i];
    }
  }

  std::vector<Line> value_;
};

/// Sum of those cycles that are used.
PIPEBEAT_WIDE std::vector<Line> sum_of(const Whitened& x, const std::vector<bool>& use,
                                       std::size_t begin, std::size_t end) {
  std::vector<Line> sum(x.width);
  for (std::size_t c = begin; c < end; ++c) {
    if (!use[c]) continue;
    for (std::size_t i = 0; i < x.width; ++i) sum[i] += x.cycle(c)[i];
  }
  return sum;
}

class SeamSearch {
 public:
  static constexpr std::size_t fewest = 18;  // cycles: three blocks

  SeamSearch(const CycleSpectra& cycles, const std::vector<bool>& use)
      : x_{cycles, use}, use_{use}, turns_{steps_per_line * x_.lines} {}

  std::vector<Seam> find() {
    if (!begin_with_the_clearest_block()) return {};
    for (std::size_t q = 0; q < turns_; ++q) {
      for (std::size_t k = 1; k <= x_.lines; ++k) {
        phasor_.push_back(std::polar(
            1.0F, static_cast<float>(-2.0 * std::numbers::pi * static_cast<double>(k * q % turns_) /
                                     static_cast<double>(turns_))));
      }
    }
    constexpr int rounds = 3;
    for (int round = 0; round < rounds; ++round) {
      weigh_turns();
      follow_turns();
      average();
    }
    return seams();
  }

 private:
  static constexpr std::size_t steps_per_line = 4;  // a quarter of the highest line's period
  static constexpr std::size_t block = 6;           // cycles
  static constexpr std::size_t shortest = 4;        // cycles that a turn needs to be believed
  // Lines and neighbouring cycles are not independent: of the log likelihoods this much is trusted.
  static constexpr double trust = 0.3;
  static constexpr double jump = 12.0;    // log odds against a jump, from one cycle to the next
  static constexpr double enough = 15.0;  // log odds for a turn
  // Of a difference, explained by a turn: most seams reach 0.8, a lead that is pulled at most 0.4.
  static constexpr double most_of_it = 0.6;
  static constexpr double like = 0.5;  // correlation of a few torn cycles, turned, with the mean

  /// Takes the block of cycles that lie on each other best for the mean. Returns false where all
  /// others lie on it as they are: there is no seam then, and nothing more to do.
  bool begin_with_the_clearest_block() {
    constexpr double alike = 0.85;
    std::vector<std::vector<Line>> sums;
    std::vector<double> power;
    for (std::size_t c = 0; c + block <= x_.cycles; c += block) {
      const auto first = use_.begin() + static_cast<std::ptrdiff_t>(c);
      if (!std::all_of(first, first + block, [](bool used) { return used; })) continue;
      sums.push_back(sum_of(x_, use_, c, c + block));
      power.push_back(product(sums.back().data(), sums.back().data(), x_.width));
    }
    if (sums.size() < fewest / block) return false;
    const auto best =
        static_cast<std::size_t>(std::max_element(power.begin(), power.end()) - power.begin());
    bool jumps = false;
    for (std::size_t b = 0; b < sums.size() && !jumps; ++b) {
      jumps = product(sums[b].data(), sums[best].data(), x_.width) <
              alike * std::sqrt(power[b] * power[best]);
    }
    mean_ = std::move(sums[best]);
    for (Line& v : mean_) v /= static_cast<float>(block);
    return jumps;
  }

  /// Log likelihood of every turn of every cycle, but for a constant.
  PIPEBEAT_WIDE void weigh_turns() {
    const std::size_t K = x_.lines;
    score_.assign(x_.cycles * turns_, 0.0F);
    std::vector<Line> cross(K);
    for (std::size_t c = 0; c < x_.cycles; ++c) {
      if (!use_[c]) continue;
      std::fill(cross.begin(), cross.end(), Line{});
      for (std::size_t i = 0; i < x_.width; ++i) {
        const Line a = x_.cycle(c)[i];
        const Line b = mean_[i];
        cross[i % K] += Line{a.real() * b.real() + a.imag() * b.imag(),
                             a.imag() * b.real() - a.real() * b.imag()};
      }
      for (std::size_t q = 0; q < turns_; ++q) {
        score_[c * turns_ + q] =
            static_cast<float>(2.0 * trust * product(cross.data(), phasor_.data() + q * K, K));
      }
    }
  }

  /// The likeliest turn of every cycle, where jumps are rare (Viterbi).
  void follow_turns() {
    std::vector<float> value(score_.begin(), score_.begin() + static_cast<std::ptrdiff_t>(turns_));
    std::vector<std::uint16_t> before(score_.size());
    for (std::size_t c = 1; c < x_.cycles; ++c) {
      const auto top =
          static_cast<std::size_t>(std::max_element(value.begin(), value.end()) - value.begin());
      const float jumped = value[top] - static_cast<float>(jump);
      for (std::size_t q = 0; q < turns_; ++q) {
        const bool stays = value[q] >= jumped;
        before[c * turns_ + q] = static_cast<std::uint16_t>(stays ? q : top);
        value[q] = (stays ? value[q] : jumped) + score_[c * turns_ + q];
      }
    }
    path_.resize(x_.cycles);
    path_.back() =
        static_cast<std::size_t>(std::max_element(value.begin(), value.end()) - value.begin());
    for (std::size_t c = x_.cycles - 1; c > 0; --c) path_[c - 1] = before[c * turns_ + path_[c]];
  }

  /// The mean cycle, every cycle turned.
  void average() {
    std::fill(mean_.begin(), mean_.end(), Line{});
    for (std::size_t c = 0; c < x_.cycles; ++c) {
      if (!use_[c]) continue;
      const Line* const turn = phasor_.data() + path_[c] * x_.lines;
      for (std::size_t i = 0; i < x_.width; ++i)
        mean_[i] += x_.cycle(c)[i] * std::conj(turn[i % x_.lines]);
    }
    const auto count = static_cast<float>(std::count(use_.begin(), use_.end(), true));
    for (Line& v : mean_) v /= count;
  }

  [[nodiscard]] double score(const Stretch& s, std::size_t turn) const {
    double sum = 0.0;
    for (std::size_t c = s.begin; c < s.end; ++c)
      sum += static_cast<double>(score_[c * turns_ + turn]);
    return sum;
  }

  [[nodiscard]] double likeness(const Stretch& s) const {
    const std::vector<Line> sum = sum_of(x_, use_, s.begin, s.end);
    const double power =
        product(sum.data(), sum.data(), x_.width) * product(mean_.data(), mean_.data(), x_.width);
    return score(s, s.turn) / (2.0 * trust) / std::sqrt(power + 1e-30);
  }

  /// What share of the difference of two stretches' mean cycles goes once the second is turned as
  /// found, noise left out; 0 where it may be chance. The mean of all does not tell: it holds both
  /// as they were turned, and a cylinder that is unplugged under way differs from what was before
  /// by one pulse, turned or not.
  [[nodiscard]] double explained(const Stretch& a, const Stretch& b) const {
    const auto count = [&](const Stretch& s) {
      return static_cast<double>(std::count(use_.begin() + static_cast<std::ptrdiff_t>(s.begin),
                                            use_.begin() + static_cast<std::ptrdiff_t>(s.end),
                                            true));
    };
    const double of_a = count(a);
    const double of_b = count(b);
    if (of_a < 1.0 || of_b < 1.0) return 0.0;
    const std::vector<Line> before = sum_of(x_, use_, a.begin, a.end);
    const std::vector<Line> after = sum_of(x_, use_, b.begin, b.end);
    const Line* const turn = phasor_.data() + (b.turn + turns_ - a.turn) % turns_ * x_.lines;
    double as_it_is = 0.0;
    double turned = 0.0;
    for (std::size_t i = 0; i < x_.width; ++i) {
      const Line from = before[i] / static_cast<float>(of_a);
      const Line to = after[i] / static_cast<float>(of_b);
      as_it_is += static_cast<double>(std::norm(from - to));
      turned += static_cast<double>(std::norm(from - to * std::conj(turn[i % x_.lines])));
    }
    const double noise = 1.0 / of_a + 1.0 / of_b;
    const double difference = as_it_is - noise * static_cast<double>(x_.width);
    if (difference <= 0.0 || trust * (as_it_is - turned) / noise < enough) return 0.0;
    return (as_it_is - turned) / difference;
  }

  static void append(std::vector<Stretch>& all, const Stretch& s) {
    if (!all.empty() && all.back().turn == s.turn)
      all.back().end = s.end;
    else
      all.push_back(s);
  }

  [[nodiscard]] std::vector<Seam> seams() const {
    std::vector<Stretch> all;
    std::vector<Stretch> lasting;
    for (std::size_t c = 0; c < x_.cycles;) {
      Stretch s{c, c, path_[c]};
      while (s.end < x_.cycles && path_[s.end] == s.turn) ++s.end;
      const bool lasts = s.end - s.begin >= shortest;
      if (lasts) append(lasting, s);
      if (lasts || likeness(s) > like) append(all, s);
      c = s.end;
    }
    drop_doubtful(lasting);
    std::vector<Seam> found;
    for (std::size_t i = 1; i < lasting.size(); ++i) {
      const double turn =
          static_cast<double>((lasting[i].turn + turns_ - lasting[i - 1].turn) % turns_) /
          static_cast<double>(turns_);
      found.push_back({lasting[i - 1].end, lasting[i].begin, turn > 0.5 ? turn - 1.0 : turn});
    }
    // One seam seldom comes alone: where there is one, cycles that lie on the others turned are
    // torn too, even if no turn is worth believing.
    const std::vector<Seam> sure = found;
    for (std::size_t i = 1; i < all.size() && !sure.empty(); ++i) {
      const Seam s{all[i - 1].end, all[i].begin, 0.0};
      if (std::none_of(sure.begin(), sure.end(),
                       [&](const Seam& f) { return s.from >= f.from && s.to <= f.to; }))
        found.push_back(s);
    }
    return found;
  }

  /// Of two stretches the shorter takes the other's turn while that explains too little.
  void drop_doubtful(std::vector<Stretch>& stretches) const {
    while (stretches.size() > 1) {
      std::size_t worst = 0;
      double least = most_of_it;
      for (std::size_t i = 1; i < stretches.size(); ++i) {
        const double share = explained(stretches[i - 1], stretches[i]);
        if (share >= least) continue;
        least = share;
        worst = i;
      }
      if (worst == 0) return;
      Stretch& a = stretches[worst - 1];
      Stretch& b = stretches[worst];
      if (a.end - a.begin < b.end - b.begin)
        a.turn = b.turn;
      else
        b.turn = a.turn;
      std::vector<Stretch> joined;
      for (const Stretch& s : stretches) append(joined, s);
      stretches = std::move(joined);
    }
  }

  const Whitened x_;
  const std::vector<bool>& use_;
  const std::size_t turns_;
  std::vector<Line> mean_;
  std::vector<Line> phasor_;  // [turn * lines + line - 1]
  std::vector<float> score_;  // [cycle * turns + turn]
  std::vector<std::size_t> path_;
};

}  // namespace

std::vector<Seam> find_seams(const CycleSpectra& cycles, const std::vector<bool>& use) {
  if (use.size() < SeamSearch::fewest) return {};
  return SeamSearch{cycles, use}.find();
}

PhaseTrack close_seams(PhaseTrack phase, const std::vector<Seam>& seams) {
  // Where within a cycle it lies is not known: the cycles on either side take up the turn.
  struct Turn {
    double begin, end, turn;
  };
  std::vector<Turn> turns;
  for (const Seam& s : seams) {
    turns.push_back({static_cast<double>(s.from) - 1.0, static_cast<double>(s.to) + 1.0, s.turn});
    phase.jumps.push_back({phase.time_of(turns.back().begin), phase.time_of(turns.back().end)});
  }
  phase.take_off([&](double p) {
    double sum = 0.0;
    for (const Turn& t : turns)
      sum += t.turn * std::clamp((p - t.begin) / (t.end - t.begin), 0.0, 1.0);
    return sum;
  });
  return phase;
}

}  // namespace pipebeat::core
