// Samples in, finding out: the whole listening behind one class.
#pragma once

#include <complex>
#include <memory>
#include <optional>
#include <span>
#include <vector>

#include "pipebeat/engine.hpp"
#include "pipebeat/finding.hpp"
#include "pipebeat/result.hpp"

namespace pipebeat {

/// What a healthy recording of the same engine taught: subtracted as an offset from the evidence.
struct KnownGood {
  std::vector<double> evidence;  ///< the evidence row of that recording (see core/pattern.hpp)
};

/// The judged cycles of the last 40 to 100 s, one by one, as complex lines: what two recordings of an engine
/// are compared by.
struct HeardCycles {
  std::size_t count = 0;
  std::size_t lines = 0;  ///< lines 1..lines of the engine cycle
  /// Line k of pulse-strength signal m (core/signals.hpp) in cycle c: [(c * signals + m) * lines + k - 1].
  std::vector<std::complex<float>> value;
};

struct ListenerOptions {
  std::optional<Rpm> speed_guess;       ///< within 15 %: narrows the search, settles ambiguity
  std::optional<KnownGood> known_good;  ///< evidence of a healthy recording of the same engine
};

/// Judges the exhaust sound of one engine.
///
/// One code path serves files, the microphone and the page: push blocks of any size, ask for a
/// finding at any time. The answer depends on the samples only, bit for bit, never on how they were
/// cut into blocks. Memory is bounded whatever the length.
///
/// Threads: one thread at a time; no globals, no clocks, no files. `push` may allocate, so it
/// belongs on an analysis thread, not in an audio callback.
class Listener {
 public:
  /// `sample_rate` of the samples that will be pushed, 4 to 400 kHz.
  /// Errors: bad_argument for a rate outside that range or a speed guess that is not positive.
  static Result<Listener> create(const Engine& engine, Hertz sample_rate,
                                 const ListenerOptions& options = {});

  Listener(Listener&&) noexcept;
  Listener& operator=(Listener&&) noexcept;
  ~Listener();

  /// Takes the next samples of one channel, full scale +-1. NaN and infinities count as dropouts.
  void push(std::span<const float> samples);

  /// The finding on everything pushed so far; provisional, `push` may go on.
  [[nodiscard]] Finding finding() const;

  /// The finding on the last `length` of sound only (at most 30 s): what a change just did. Says
  /// whether a pulse went missing or came back in that time (Finding::change).
  /// `near`: an earlier answer about the speed. Only speeds within 15 % of it are then looked at, which
  /// saves more than half of the work; ask without it now and then, as it can't get out of a wrong ratio.
  [[nodiscard]] Finding recent(Seconds length, std::optional<Rpm> near = {}) const;

  /// What this recording teaches as a known-good reference; empty when no engine was heard.
  [[nodiscard]] std::optional<KnownGood> as_known_good() const;

  /// The judged cycles of the last passage; none when no engine was heard.
  [[nodiscard]] const HeardCycles& cycles() const;

 private:
  struct State;
  explicit Listener(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

}  // namespace pipebeat
