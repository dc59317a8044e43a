// Scenes by name, and scenes by the thousand.
#pragma once

#include <string>
#include <vector>

#include "scene.hpp"

namespace pipebeat::synth {

struct NamedScene {
  std::string name;
  std::string description;
  Scene scene;
};

/// Every named scene, in listing order.
std::vector<NamedScene> named_scenes();

/// `count` scenes that any seed balances over layouts, conditions, speed profiles, microphones,
/// views and backgrounds; four scenes in a row share an engine, every eleventh has none. `lossy`
/// sends three in ten through a coder; `no_engine`: other sounds only.
std::vector<Scene> random_scenes(int count, std::uint64_t seed, bool lossy, bool no_engine = false);

}  // namespace pipebeat::synth
