// Injector clicks, heard through a mechanic's stethoscope or a contact microphone.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "pipebeat/result.hpp"
#include "pipebeat/units.hpp"

namespace pipebeat {

/// What one recording holds, heard alone.
struct ClickTrack {
  double duration_s = 0.0;
  std::optional<double> cycle_hz;  ///< engine cycles a second as the clicks have it; empty: nothing repeats
  std::int64_t cycles = 0;         ///< cycles followed
  std::int64_t missed = 0;         ///< cycles of them without the click
  double clicks_per_cycle = 0.0;   ///< all clicks at least half as strong as this injector's own
  std::optional<double> level_db;  ///< of full scale, median of its clicks
  double over_noise_db = 0.0;      ///< clicks over what lies between them
};

/// Follows the loudest click that comes once a cycle.
///
/// `samples`: one channel, full scale +-1, at `sample_rate` (4 kHz and more). `cycle_guess`: engine
/// cycles a second, within 15 %: rpm/120, two-stroke rpm/60.
/// Errors: bad_argument for a rate or a guess outside 4 to 400 kHz and 1 to 150 cycles a second.
Result<ClickTrack> follow_clicks(std::span<const float> samples, Hertz sample_rate, Hertz cycle_guess);

enum class InjectorState {
  clicking,
  weak,     ///< clearly softer than its neighbours
  silent,   ///< no click of its own
  unclear,  ///< too short, too noisy, or at another rate than the engine's
};

/// Contract word: "clicking", ...
[[nodiscard]] std::string_view to_string(InjectorState state);

enum class InjectorReason {
  once_a_cycle,
  twice_a_cycle,       ///< fired in a batch: once a revolution
  softer,              ///< value: dB under the neighbours
  neighbours_only,     ///< value: dB under the neighbours; what is heard comes through the rail
  nothing_repeats,
  misses_clicks,       ///< value: share missed
  too_short,           ///< value: cycles
  odd_rate,            ///< value: clicks a cycle
};

struct InjectorFinding {
  int cylinder = 0;
  InjectorState state = InjectorState::unclear;
  InjectorReason reason = InjectorReason::nothing_repeats;
  double value = 0.0;  ///< as the reason's comment says
  std::optional<double> clicks_per_cycle;
  std::optional<double> missed_ratio;
  std::optional<double> level_db;  ///< against the median of the others
};

/// One recording and the cylinder at whose injector it was made.
struct InjectorRecording {
  int cylinder = 0;
  ClickTrack track;
};

/// Compares injectors recorded alike: same probe, same pressure, same gain.
std::vector<InjectorFinding> judge_injectors(std::span<const InjectorRecording> recordings);

}  // namespace pipebeat
