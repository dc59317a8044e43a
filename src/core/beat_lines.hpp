// Beat lines: the complex cycle lines of a take, stretch by stretch, on one crank phase.
//
// Unplugging a cylinder takes its pulse away, and leaves another: it breathes in, which behind a
// throttle may be the louder of the two. The difference of the lines before and after is what that
// changed in one position; held against it, the lines before say how many firing positions away
// another cylinder does not fire:
//   before_k = G_k sum_j z_jk - H_k z_dk,  before_k - after_k = H_k z_ok,  z_jk = exp(-2 pi i k
//   theta_j)
// for line k, dead cylinder d, unplugged o, the pipe's unknown answer G_k to a pulse and H_k to
// what a pulse is more than none. Neither is fitted: both, and how far the pipes of the cylinders
// differ, are averaged over.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "core/fold.hpp"
#include "core/signals.hpp"
#include "pipebeat/droptest.hpp"
#include "pipebeat/engine.hpp"
#include "pipebeat/listener.hpp"

namespace pipebeat::core {

/// The time between two marks, less what a hand and the engine need to settle.
struct MarkedTime {
  int unplugged = 0;
  double from_s = 0.0;
  double to_s = 0.0;
};
/// "All plugged in" before the first mark, unless that stands at the very start, then one per mark.
std::vector<MarkedTime> marked_times(std::span<const Mark> marks);

/// Phase of the engine cycle, position 1 at whole numbers, from events that follow each other
/// without a restart of the cycle count; empty when there are too few. Between events it is
/// interpolated.
PhaseTrack phase_of(const Engine& engine, std::span<const Event> events);

/// A take heard for its cycle lines. Keeps its pulse-strength signals, 40 kB a second, of the first
/// half hour; later sound is left out.
class BeatLines {
 public:
  explicit BeatLines(Hertz sample_rate);
  void push(std::span<const float> samples);

  /// The lines of every marked time; those with too few whole cycles are missing from the list.
  /// Cycles in which no event was heard do not count; with no events at all every cycle counts.
  [[nodiscard]] std::vector<StretchLines> stretches(const Engine& engine, const PhaseTrack& phase,
                                                    std::span<const Event> events,
                                                    std::span<const Mark> marks) const;

 private:
  SignalBank bank_;
  Signals signals_;
  std::vector<LevelPoint> strip_;
};

/// A cylinder that may be dead, and what share of its events would be missing.
struct Suspect {
  int cylinder = 0;  ///< 0: none
  double missing = 1.0;
};

/// The lines of a recording heard as a whole; `by_cycle` stays empty. None when there are too few
/// whole cycles.
std::optional<StretchLines> lines_of(const HeardCycles& heard, int unplugged);

/// How likely the lines of some stretches are, if these cylinders, and what is unplugged, don't
/// fire. Levels do not count, only how a line of one stretch stands to the same line of the others.
class LineFit {
 public:
  /// `stretches` of one engine and as many signals; fewer than two say nothing.
  LineFit(const Engine& engine, std::span<const StretchLines> stretches,
          std::span<const Suspect> suspects);

  /// log p(lines | suspects), up to what all suspects share. `turns`: part of a cycle by which each
  /// stretch begins too late; empty: they share one phase.
  [[nodiscard]] double log_likelihood(std::span<const double> turns = {}) const;

  /// The same for two stretches that do not share a phase: averaged over all turns.
  [[nodiscard]] double log_likelihood_turned() const;

 private:
  std::size_t stretches_;
  std::size_t lines_ = 0;
  std::size_t terms_ = 0;  ///< of a line: the stretches by themselves, then every two of them
  std::vector<std::complex<double>>
      term_;                      ///< of the misfit: [((world * signals + m) * lines + k) * terms]
  std::vector<double> log_size_;  ///< log determinants: [world * signals + m]
};

/// The largest change inside one of these stretches that has the shape of one cylinder's pulse
/// coming or going, as if somebody pulled or put back a lead without a mark.
struct InnerChange {
  double pulses = 0.0;  ///< 1: a whole pulse
  Seconds at{0.0};      ///< of several about as large, the first
};
/// `suspect`: the one that fits the stretches best; it says what a pulse is.
InnerChange inner_change(const Engine& engine, std::span<const StretchLines> stretches,
                         Suspect suspect);

/// The same stretches, each cut to the 2.5 s next to the mark between them; two stretches only.
std::vector<StretchLines> next_to_mark(const StretchLines& before, const StretchLines& after);

}  // namespace pipebeat::core
