// Speed track: the cycle frequency of the engine through time.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "core/signals.hpp"
#include "pipebeat/engine.hpp"

namespace pipebeat::core {

struct SpeedTrack {
  double hop_s = 0.0;               ///< frame spacing; frame i is centred at i * hop_s
  std::vector<float> cycle_hz;      ///< per frame; 0 where no engine runs
  std::vector<float> salience;      ///< per frame, how far the comb stands out
};

/// Comb strength over time and candidate cycle frequency.
struct SalienceMap {
  double hop_s = 0.0;
  std::vector<double> cycle_hz;             ///< candidates, log-spaced
  std::vector<std::vector<float>> rows;     ///< frames x candidates
  std::vector<float> level_db;              ///< per frame, strongest band level
};

SalienceMap salience_map(const Signals& signals, const Engine& engine);

SpeedTrack best_path(const SalienceMap& map, double centre_hz, double strength);

}  // namespace pipebeat::core
