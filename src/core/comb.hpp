// The comb: how strongly each speed shows in one moment of a sound, and the best path of speeds through
// many of them.
#pragma once

#include <cstddef>
#include <cstdint>
#include <map>
#include <memory>
#include <optional>
#include <span>
#include <vector>

#include "core/signals.hpp"
#include "pipebeat/engine.hpp"

namespace pipebeat::core {

inline constexpr double comb_hop_s = 0.1;     // from one frame to the next
inline constexpr double comb_step = 0.006;    // relative spacing of candidate frequencies

/// Comb strength over time (rows) and candidate cycle frequency (columns).
struct SalienceMap {
  std::vector<double> cycle_hz;
  std::vector<std::vector<float>> rows;
  std::vector<std::size_t> frame;  ///< of each row, in comb_hop_s from the beginning, rising; empty: 0, 1, 2, ...

  [[nodiscard]] std::size_t frame_of(std::size_t row) const { return frame.empty() ? row : frame[row]; }
};

/// Spectra that searches of one growing sound share: the last seconds are heard again and again, and
/// most of them were there the last time. What is found is the same with and without.
class SpectrumMemory {
 public:
  /// The spectrum around a sample of the sound; empty when it is not known.
  [[nodiscard]] std::span<const float> around(std::int64_t sample) const;
  void keep(std::int64_t sample, std::span<const float> level);
  void forget_before(std::int64_t sample);

 private:
  std::map<std::int64_t, std::vector<float>> level_;
};

/// Where in a growing sound some signals begin.
struct Remembered {
  SpectrumMemory& spectra;
  std::int64_t begin = 0;  ///< sample of the sound
};

/// Searches the comb of any moment of a sound.
class CombSearch {
 public:
  /// Cycle frequencies from `low_hz` to `high_hz`. The signals must outlive the search.
  CombSearch(const Signals& signals, const Engine& engine, double low_hz, double high_hz,
             const std::optional<Remembered>& remembered = {});
  /// What a row is searched through: a window of half a second, which follows a speed that moves, and one of a second,
  /// which parts the lines of slow engines; or, near a speed that is known, the latter alone, counted twice.
  enum class Windows { both, wide };
  /// The same for much sound: at half its rate, where none of these speeds has lines above what that carries.
  static CombSearch quick(const Signals& signals, const Engine& engine, double low_hz, double high_hz, Windows windows);
  CombSearch(CombSearch&&) noexcept;
  ~CombSearch();

  /// Candidates: cycles per second, one per column of a row.
  [[nodiscard]] const std::vector<double>& cycle_hz() const;
  [[nodiscard]] std::size_t frames() const;

  /// Strength of every candidate around a frame.
  [[nodiscard]] std::vector<float> row(std::size_t frame);
  /// The same through a window of a third of a second alone, counted twice, for a speed that changes by `rate`,
  /// relative, per second.
  [[nodiscard]] std::vector<float> row(double time_s, double rate);

 private:
  struct State;
  explicit CombSearch(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

/// Best path through the map (A. Viterbi, IEEE Trans. Information Theory 13, 1967) with a pull towards
/// `centre_hz`: the column per row. `lively`: rows in which speed moves more easily.
std::vector<std::size_t> best_path(const SalienceMap& map, double centre_hz, double pull, const std::vector<bool>& lively = {});

}  // namespace pipebeat::core
