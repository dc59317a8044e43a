// Crankshaft dynamics: which charge fires, what it does to the speed, when each valve opens.
#pragma once

#include <algorithm>
#include <cstddef>
#include <vector>

#include "scene.hpp"

namespace pipebeat::synth {

/// One opening of an exhaust valve.
struct Event {
  double time_s;
  int cylinder;
  bool fired;
  double heat;     ///< work relative to a normal firing, 0 when it did not fire
  bool running;    ///< false while cranking, running down or standing
  bool heard;      ///< this pipe hears that cylinder
  double rpm;      ///< speed at that moment
  double charge;   ///< filling relative to a normal idle
  bool afterfire;  ///< its unburnt charge bangs in the pipe
};

struct CrankRun {
  static constexpr double step_s = 0.0005;
  std::vector<Event> events;
  std::vector<double> rpm;        ///< every step_s
  std::vector<double> angle_deg;  ///< crank angle turned, every step_s
  std::vector<char> running;      ///< every step_s
  double cov_imep = 0.0;          ///< scatter of work over all fired events
  std::vector<int> bad;           ///< the cylinders in trouble
  double p = 0.0;                 ///< the chance or heat share in force

  /// Speed at a time, or at the end where it is later.
  [[nodiscard]] double rpm_at(double time_s) const {
    return rpm[std::min(rpm.size() - 1, static_cast<std::size_t>(time_s / step_s))];
  }
};

/// The usual idle of that engine, rpm.
double idle_speed(const EngineUnderTest& engine);

CrankRun run_crank(const Scene& scene, const Engine& layout);

}  // namespace pipebeat::synth
