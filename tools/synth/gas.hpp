// Gas in cylinders and pipes: what flows out of the exhaust's mouth, stroke by stroke.
#pragma once

#include <array>
#include <cstddef>
#include <vector>

#include "crank.hpp"
#include "filters.hpp"

namespace pipebeat::synth {

/// Pipes between nodes, plane pressure waves both ways through every pipe. Where pipes meet,
/// pressure is the same in all of them and no volume flow is lost (plane-wave acoustics; L. Kinsler
/// et al., Fundamentals of Acoustics, from memory). SI units; pressures are those above outside
/// pressure.
class PipeNetwork {
 public:
  explicit PipeNetwork(double rate_hz) : rate_hz_{rate_hz} {}

  /// Returns the node's number. At most eight pipes may meet there.
  int add_node();
  /// `kept`: share of a wave's pressure that arrives at the other end, less above `loss_hz`.
  /// Lengths are rounded to whole samples of travel.
  void add_pipe(int from, int to, double length_m, double area_m2, double kelvin, double kept,
                double loss_hz);

  // At a node with one pipe the outside world, a valve or the open air, says what comes back.

  /// Pressure of the wave that arrives there now.
  [[nodiscard]] double arriving(int node) const {
    return arriving_at(nodes_[static_cast<std::size_t>(node)].ends[0]);
  }
  /// Volume flow over pressure of that pipe, m^3/s/Pa.
  [[nodiscard]] double admittance(int node) const {
    return nodes_[static_cast<std::size_t>(node)].ends[0].admittance;
  }
  /// Pressure of the wave that leaves it with the next step.
  void send(int node, double pressure) { nodes_[static_cast<std::size_t>(node)].sent = pressure; }

  /// One sample on.
  void step();

 private:
  struct Pipe {
    std::vector<double> forth, back;  ///< rings of what is on its way; the oldest value arrives
    std::size_t at;
    OnePole forth_loss, back_loss;
    double kept;
  };
  struct End {
    int pipe;
    bool far;
    double admittance;
  };
  struct Node {
    std::vector<End> ends;
    std::array<double, 8> leaving{};
    double sent = 0.0;
  };

  [[nodiscard]] double arriving_at(const End& end) const {
    const Pipe& pipe = pipes_[static_cast<std::size_t>(end.pipe)];
    return end.far ? pipe.forth[pipe.at] : pipe.back[pipe.at];
  }

  double rate_hz_;
  std::vector<Pipe> pipes_;
  std::vector<Node> nodes_;
};

/// Volume flow at the mouth (of the pipe that is heard, with what crosses from the other); inwards
/// is negative. Unit: the mean flow of one cylinder at idle over 0.09, so that pulses are about as
/// strong as those of the plain pipes.
///
/// Cylinders empty through their valves into a network of pipes. An unfired cylinder opens below
/// outside pressure, as the throttle left it, and breathes in first; a weak one may open near it
/// and give hardly a pulse. Simplified: linear waves, temperatures that stay, no flow noise, no
/// waves in the inlet.
Signal mouth_flow(const Scene& scene, const Engine& layout, const CrankRun& run, double rate_hz);

}  // namespace pipebeat::synth
