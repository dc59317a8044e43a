#include "core/beat_lines.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <numbers>

#include "core/lines.hpp"
#include "core/statistics.hpp"

namespace pipebeat::core {

namespace {

using Complex = std::complex<double>;

constexpr double settle_s = 0.8;  // after a mark: a hand is not that exact, the speed moves
constexpr double before_mark_s = 0.3;
constexpr double longest_s = 1800.0;
constexpr double hop_s = 0.005;
constexpr std::size_t fewest_cycles = 6;
constexpr double window_s = 2.5;  // two of them side by side show a change inside a stretch

// What engines and pipes are like is not known beforehand: every combination of these is tried,
// each signal for itself. Of a usual pulse: how much the pulse of one cylinder differs from its
// fellows', what a cylinder that doesn't fire gives instead of it, and what changes between two
// stretches.
constexpr std::array uneven_pulses{0.05, 0.15, 0.4};
constexpr std::array silent_pulses{0.05, 0.3, 0.7, 1.2};
constexpr std::array changes{0.05, 0.15};
// Rounded from made-up takes: how much wider than their scatter by itself lines lie, what an
// envelope is worth beside the pressure, how much of the evidence is independent, and how often
// lines mean nothing, as when the speed was taken wrongly.
constexpr double wider = 5.0;
constexpr double envelope_weight = 0.25;
constexpr double trust = 0.5;
constexpr double meaningless = 0.03;

/// Lines that tell positions apart.
std::size_t line_count(const Engine& engine) {
  return std::min<std::size_t>(24, 2 * engine.positions().size());
}

std::vector<std::complex<double>> pulses_at(const Engine& engine, int k) {
  std::vector<std::complex<double>> out;
  for (const FiringPosition& p : engine.positions()) {
    out.push_back(
        std::polar(1.0, -2.0 * std::numbers::pi * k * p.angle.value() / engine.cycle().value()));
  }
  return out;
}

/// Mean and its variance from the single cycles; `mean` has its length already.
void summarise(StretchLines& s) {
  const std::size_t width = s.mean.size();
  const std::size_t cycles = s.by_cycle.size() / width;
  const auto n = static_cast<double>(cycles);
  std::fill(s.mean.begin(), s.mean.end(), 0.0);
  s.variance.assign(width, 0.0);
  for (std::size_t i = 0; i < s.by_cycle.size(); ++i) {
    const std::complex<double> x = s.by_cycle[i];
    s.mean[i % width] += x / n;
    s.variance[i % width] += std::norm(x) / n;
  }
  for (std::size_t i = 0; i < width; ++i)
    s.variance[i] = std::max(0.0, s.variance[i] - std::norm(s.mean[i])) / n;
}

/// Share of its events that each position misses in each stretch: [s * positions + j].
std::vector<double> missing_of(const Engine& engine, std::span<const StretchLines> stretches,
                               std::span<const Suspect> suspects) {
  std::vector<double> out;
  for (const StretchLines& s : stretches) {
    for (const FiringPosition& p : engine.positions()) {
      double missing = p.cylinder == s.unplugged ? 1.0 : 0.0;
      for (const Suspect& suspect : suspects) {
        if (p.cylinder == suspect.cylinder) missing = std::max(missing, suspect.missing);
      }
      out.push_back(missing);
    }
  }
  return out;
}

/// Sum of the pulses that each stretch would hold with that suspect: [s * lines + k - 1].
std::vector<std::complex<double>> pulses_of(const Engine& engine,
                                            std::span<const StretchLines> stretches,
                                            std::size_t lines, Suspect suspect) {
  std::vector<std::complex<double>> out(stretches.size() * lines);
  const std::vector<double> missing = missing_of(engine, stretches, std::span{&suspect, 1});
  for (std::size_t k = 0; k < lines; ++k) {
    const auto each = pulses_at(engine, static_cast<int>(k) + 1);
    for (std::size_t s = 0; s < stretches.size(); ++s) {
      for (std::size_t j = 0; j < each.size(); ++j)
        out[s * lines + k] += (1.0 - missing[s * each.size() + j]) * each[j];
    }
  }
  return out;
}

/// One way in which engine and pipe may be: all of a usual pulse.
struct World {
  double uneven;
  double silent;
  double change;
};

constexpr std::size_t worlds = uneven_pulses.size() * silent_pulses.size() * changes.size();

World world_of(std::size_t number) {
  const std::size_t rest = number / changes.size();
  return {uneven_pulses[rest / silent_pulses.size()], silent_pulses[rest % silent_pulses.size()],
          changes[number % changes.size()]};
}

/// Covariance of a line between the stretches, [s * stretches + t], where a usual pulse has the
/// variance 1. All that fire share a pulse, all that don't share another, unknown and of unknown
/// phase; each has besides a part of its own, the same in all stretches. The paths of the cylinders
/// differ in length, which tells the more the higher the line.
std::vector<Complex> covariance_of(const World& world, std::span<const Complex> pulse,
                                   std::span<const double> missing, std::size_t line) {
  const std::size_t P = pulse.size();
  const std::size_t S = missing.size() / P;
  std::vector<Complex> fired(S), silent(S), out(S * S);
  for (std::size_t s = 0; s < S; ++s) {
    for (std::size_t j = 0; j < P; ++j) {
      fired[s] += (1.0 - missing[s * P + j]) * pulse[j];
      silent[s] += missing[s * P + j] * pulse[j];
    }
  }
  const double of_silent = world.silent * world.silent;
  const double of_own =
      std::pow(world.uneven * static_cast<double>(line) / static_cast<double>(P), 2);
  for (std::size_t s = 0; s < S; ++s) {
    for (std::size_t t = 0; t < S; ++t) {
      double own = 0.0;
      for (std::size_t j = 0; j < P; ++j) {
        const double a = missing[s * P + j];
        const double b = missing[t * P + j];
        own += (1.0 - a) * (1.0 - b) + of_silent * a * b;
      }
      out[s * S + t] = fired[s] * std::conj(fired[t]) +
                       of_silent * silent[s] * std::conj(silent[t]) + of_own * own;
    }
  }
  return out;
}

/// A Hermitian, positive definite matrix becomes its inverse (Gauss and Jordan; a pivot is never
/// small). Returns the log of its determinant.
double invert(std::vector<Complex>& a, std::size_t size) {
  double log_determinant = 0.0;
  for (std::size_t k = 0; k < size; ++k) {
    const double pivot = a[k * size + k].real();
    log_determinant += std::log(pivot);
    a[k * size + k] = 1.0;
    for (std::size_t j = 0; j < size; ++j) a[k * size + j] /= pivot;
    for (std::size_t i = 0; i < size; ++i) {
      if (i == k) continue;
      const Complex factor = a[i * size + k];
      a[i * size + k] = 0.0;
      for (std::size_t j = 0; j < size; ++j) a[i * size + j] -= factor * a[k * size + j];
    }
  }
  return log_determinant;
}

/// Difference of the means of two windows side by side, and its variance, per signal and line.
struct WindowChange {
  std::vector<std::complex<double>> difference;
  std::vector<double> variance;
};

WindowChange change_at(const StretchLines& stretch, std::size_t cycle, std::size_t window) {
  const std::size_t width = stretch.mean.size();
  WindowChange out{std::vector<std::complex<double>>(width), std::vector<double>(width, 0.0)};
  const auto n = static_cast<double>(window);
  for (std::size_t i = 0; i < width; ++i) {
    std::array<std::complex<double>, 2> mean{};
    std::array<double, 2> square{};
    for (std::size_t c = 0; c < 2 * window; ++c) {
      const std::complex<double> x = stretch.by_cycle[(cycle - window + c) * width + i];
      mean[c / window] += x / n;
      square[c / window] += std::norm(x) / n;
    }
    out.difference[i] = mean[1] - mean[0];
    out.variance[i] =
        std::max(0.0, square[0] - std::norm(mean[0]) + square[1] - std::norm(mean[1])) / (n - 1.0);
  }
  return out;
}

}  // namespace

std::vector<MarkedTime> marked_times(std::span<const Mark> marks) {
  constexpr double ever = 1e9;
  std::vector<MarkedTime> out;
  int unplugged = 0;
  double from = -ever;
  for (const Mark& m : marks) {
    // A mark at the very start leaves nothing before it.
    if (from > -ever || m.at.value() > settle_s)
      out.push_back({unplugged, from, m.at.value() - before_mark_s});
    unplugged = m.unplugged;
    from = m.at.value() + settle_s;
  }
  out.push_back({unplugged, from, ever});
  return out;
}

PhaseTrack phase_of(const Engine& engine, std::span<const Event> events) {
  PhaseTrack track;
  track.hop_s = hop_s;
  if (events.size() < 2) return track;
  const auto phase = [&](const Event& e) {
    return e.cycle + engine.positions()[static_cast<std::size_t>(e.position - 1)].angle.value() /
                         engine.cycle().value();
  };
  track.start_s = events.front().time_s;
  const double first = phase(events.front());
  std::size_t i = 0;
  for (std::size_t n = 0;; ++n) {
    const double t = track.start_s + hop_s * static_cast<double>(n);
    while (i + 1 < events.size() &&
           (events[i + 1].time_s <= t || events[i + 1].time_s <= events[i].time_s))
      ++i;
    if (i + 1 >= events.size()) return track;
    const double share = (t - events[i].time_s) / (events[i + 1].time_s - events[i].time_s);
    track.cycles.push_back(phase(events[i]) + share * (phase(events[i + 1]) - phase(events[i])) -
                           first);
  }
}

BeatLines::BeatLines(Hertz sample_rate) : bank_{sample_rate.value()} {
  signals_.rate_hz = bank_.rate_hz();
}

void BeatLines::push(std::span<const float> samples) {
  if (static_cast<double>(signals_.size()) > longest_s * signals_.rate_hz) return;
  bank_.push(samples, signals_, strip_);
  strip_.clear();
}

std::vector<StretchLines> BeatLines::stretches(const Engine& engine, const PhaseTrack& phase,
                                               std::span<const Event> events,
                                               std::span<const Mark> marks) const {
  if (phase.cycles.size() < 3) return {};
  const std::size_t K = line_count(engine);
  Signals clean = signals_;
  remove_mains(clean);
  std::size_t grid = 64;
  while (grid < 3 * K) grid *= 2;
  const Folded folded = fold(clean, phase, grid);
  const CycleSpectra lines = cycle_spectra(folded, K);
  std::vector<bool> heard(folded.cycles, false);
  std::size_t next = 0;
  for (std::size_t c = 0; c < folded.cycles; ++c) {
    while (next < events.size() && events[next].time_s < folded.start_s[c] - 1e-6) ++next;
    heard[c] =
        events.empty() || (next < events.size() && events[next].time_s < folded.start_s[c + 1]);
  }
  std::vector<StretchLines> out;
  for (const MarkedTime& m : marked_times(marks)) {
    std::vector<std::size_t> cycles;
    for (std::size_t c = 0; c < folded.cycles; ++c) {
      if (heard[c] && folded.start_s[c] >= m.from_s && folded.start_s[c + 1] <= m.to_s)
        cycles.push_back(c);
    }
    if (cycles.size() < fewest_cycles) continue;
    StretchLines s;
    s.unplugged = m.unplugged;
    s.from = Seconds{folded.start_s[cycles.front()]};
    s.to = Seconds{folded.start_s[cycles.back() + 1]};
    const auto n = static_cast<double>(cycles.size());
    double time = 0.0;
    for (std::size_t c : cycles) time += folded.start_s[c + 1] - folded.start_s[c];
    s.cycle_frequency = Hertz{n / time};
    for (std::size_t c : cycles) {
      for (const auto& spectra : lines.value) {
        const auto* first = spectra.data() + c * lines.lines;
        s.by_cycle.insert(s.by_cycle.end(), first, first + lines.lines);
      }
    }
    s.mean.resize(signal_count * lines.lines);
    summarise(s);
    out.push_back(std::move(s));
  }
  return out;
}

std::optional<StretchLines> lines_of(const HeardCycles& heard, int unplugged) {
  if (heard.count < fewest_cycles) return std::nullopt;
  StretchLines out;
  out.unplugged = unplugged;
  out.by_cycle = heard.value;
  out.mean.resize(signal_count * heard.lines);
  summarise(out);
  out.by_cycle.clear();
  return out;
}

LineFit::LineFit(const Engine& engine, std::span<const StretchLines> stretches,
                 std::span<const Suspect> suspects)
    : stretches_{stretches.size()} {
  if (stretches_ < 2) return;
  const std::size_t S = stretches_;
  const auto line = [&](std::size_t s, std::size_t m, std::size_t k) {
    return m * (stretches[s].mean.size() / signal_count) + k;
  };
  lines_ = std::min(line_count(engine), stretches.front().mean.size() / signal_count);
  terms_ = 1 + S * (S - 1) / 2;
  term_.assign(worlds * signal_count * lines_ * terms_, 0.0);
  log_size_.assign(worlds * signal_count, 0.0);
  const std::vector<double> missing = missing_of(engine, stretches, suspects);
  std::vector<Complex> inverse;
  for (std::size_t k = 0; k < lines_; ++k) {
    const std::vector<Complex> pulse = pulses_at(engine, static_cast<int>(k) + 1);
    for (std::size_t w = 0; w < worlds; ++w) {
      const World world = world_of(w);
      const std::vector<Complex> covariance = covariance_of(world, pulse, missing, k + 1);
      double usual = 0.02;  // no line is empty
      for (std::size_t s = 0; s < S; ++s)
        usual += covariance[s * S + s].real() / static_cast<double>(S);
      for (std::size_t m = 0; m < signal_count; ++m) {
        double power = 1e-30;
        for (std::size_t s = 0; s < S; ++s) power += std::norm(stretches[s].mean[line(s, m, k)]);
        inverse = covariance;
        for (std::size_t s = 0; s < S; ++s) {
          const double noise =
              wider * stretches[s].variance[line(s, m, k)] / (power / static_cast<double>(S));
          inverse[s * S + s] += usual * (world.change * world.change + noise);
        }
        log_size_[w * signal_count + m] += invert(inverse, S);
        Complex* term = term_.data() + ((w * signal_count + m) * lines_ + k) * terms_;
        for (std::size_t s = 0; s < S; ++s)
          *term += inverse[s * S + s].real() * std::norm(stretches[s].mean[line(s, m, k)]) / power;
        for (std::size_t s = 0; s < S; ++s) {
          for (std::size_t t = s + 1; t < S; ++t) {
            *++term = 2.0 / power * std::conj(stretches[s].mean[line(s, m, k)]) *
                      inverse[s * S + t] * stretches[t].mean[line(t, m, k)];
          }
        }
      }
    }
  }
}

double LineFit::log_likelihood(std::span<const double> turns) const {
  if (stretches_ < 2) return 0.0;
  const std::size_t pairs = terms_ - 1;
  std::vector<Complex> turned(lines_ * pairs, 1.0);
  if (!turns.empty()) {
    std::size_t pair = 0;
    for (std::size_t s = 0; s < stretches_; ++s) {
      for (std::size_t t = s + 1; t < stretches_; ++t, ++pair) {
        const Complex step = std::polar(1.0, 2.0 * std::numbers::pi * (turns[t] - turns[s]));
        Complex here{1.0};
        for (std::size_t k = 0; k < lines_; ++k) turned[k * pairs + pair] = here *= step;
      }
    }
  }
  double sum = 0.0;
  std::array<double, worlds> each{};
  for (std::size_t m = 0; m < signal_count; ++m) {
    for (std::size_t w = 0; w < worlds; ++w) {
      const Complex* term = term_.data() + (w * signal_count + m) * lines_ * terms_;
      double product = 1.0;
      for (std::size_t k = 0; k < lines_; ++k) {
        double misfit = (term++)->real();
        for (std::size_t pair = 0; pair < pairs; ++pair, ++term) {
          const Complex& x = turned[k * pairs + pair];
          misfit += term->real() * x.real() - term->imag() * x.imag();
        }
        product *= std::max(misfit, 1e-9);
      }
      each[w] =
          -log_size_[w * signal_count + m] - static_cast<double>(stretches_) * std::log(product);
    }
    const double fits = log_sum_exp(each) - std::log(static_cast<double>(worlds));
    // Lines that mean nothing are as likely with every suspect: nobody is blamed for them.
    const std::array either{std::log(1.0 - meaningless) + fits, std::log(meaningless)};
    sum += (m == 0 ? 1.0 : envelope_weight) * log_sum_exp(either);
  }
  return trust * sum;
}

double LineFit::log_likelihood_turned() const {
  constexpr std::size_t turns = 96;  // finer than the highest line
  std::array<double, turns> each{};
  for (std::size_t turn = 0; turn < turns; ++turn) {
    const std::array both{0.0, static_cast<double>(turn) / static_cast<double>(turns)};
    each[turn] = log_likelihood(both);
  }
  return log_sum_exp(each) - std::log(static_cast<double>(turns));
}

InnerChange inner_change(const Engine& engine, std::span<const StretchLines> stretches,
                         Suspect suspect) {
  constexpr double least_known =
      0.2;  // a line that holds next to no pulse says nothing of the pipe
  InnerChange out;
  const std::size_t width = stretches.empty() ? 0 : stretches.front().mean.size();
  if (width == 0) return out;
  const std::size_t K = width / signal_count;
  const std::vector<std::complex<double>> pulse = pulses_of(engine, stretches, K, suspect);
  std::vector<std::complex<double>> answer(width);  // of the pipe, to one pulse
  for (std::size_t i = 0; i < width; ++i) {
    double expected = 0.0;
    for (std::size_t s = 0; s < stretches.size(); ++s) {
      const std::complex<double> p = pulse[s * K + i % K];
      expected += std::norm(p);
      answer[i] += std::conj(p) * stretches[s].mean[i];
    }
    answer[i] = expected > least_known ? answer[i] / expected : 0.0;
  }
  std::vector<std::vector<std::complex<double>>> turned;  // [k - 1][position]
  for (std::size_t k = 1; k <= K; ++k) turned.push_back(pulses_at(engine, static_cast<int>(k)));
  std::vector<InnerChange> course;
  for (const StretchLines& s : stretches) {
    const std::size_t cycles = s.by_cycle.size() / width;
    const auto window = static_cast<std::size_t>(window_s * s.cycle_frequency.value());
    if (window < 4) continue;
    for (std::size_t c = window; c + window <= cycles; c += 2) {
      const WindowChange change = change_at(s, c, window);
      double whole = 1e-30;
      std::vector<double> pulses(engine.positions().size(), 0.0);
      for (std::size_t i = 0; i < width; ++i) {
        const double weight =
            (i < K ? 1.0 : 0.5) / (change.variance[i] + 0.1 * std::norm(answer[i]) + 1e-30);
        whole += weight * std::norm(answer[i]);
        for (std::size_t j = 0; j < pulses.size(); ++j) {
          pulses[j] +=
              weight * (std::conj(answer[i] * turned[i % K][j]) * change.difference[i]).real();
        }
      }
      InnerChange here{0.0,
                       Seconds{s.from.value() + (s.to - s.from).value() * static_cast<double>(c) /
                                                    static_cast<double>(cycles)}};
      for (const double p : pulses) here.pulses = std::max(here.pulses, std::abs(p) / whole);
      out.pulses = std::max(out.pulses, here.pulses);
      course.push_back(here);
    }
  }
  // Of several, the first: its peak lies within a window of where it begins to show.
  double peak = 0.0;
  for (const InnerChange& here : course) {
    const bool begun = peak > 0.0;
    if (begun && std::abs(here.at.value() - out.at.value()) > window_s) break;
    if (here.pulses < 0.5 * out.pulses || here.pulses <= peak) continue;
    peak = here.pulses;
    out.at = here.at;
  }
  return out;
}

std::vector<StretchLines> next_to_mark(const StretchLines& before, const StretchLines& after) {
  const auto cut = [](const StretchLines& s, bool last) {
    const std::size_t width = s.mean.size();
    const std::size_t cycles = s.by_cycle.size() / width;
    const std::size_t keep =
        std::min(cycles, static_cast<std::size_t>(window_s * s.cycle_frequency.value()));
    StretchLines out = s;
    const auto first = static_cast<std::ptrdiff_t>((last ? cycles - keep : 0) * width);
    out.by_cycle.assign(s.by_cycle.begin() + first,
                        s.by_cycle.begin() + first + static_cast<std::ptrdiff_t>(keep * width));
    summarise(out);
    return out;
  };
  return {cut(before, true), cut(after, false)};
}

}  // namespace pipebeat::core
