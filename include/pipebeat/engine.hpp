// The engine under the microphone: how many cylinders, when each fires, which ones this pipe hears.
#pragma once

#include <complex>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "pipebeat/result.hpp"
#include "pipebeat/units.hpp"

namespace pipebeat {

/// What a person says of an engine. Empty vectors mean "the usual": order 1..N, even firing,
/// all cylinders heard.
struct EngineSpec {
  int cylinders = 4;
  int strokes = 4;                    ///< 4 or 2
  std::vector<int> order;             ///< firing order, any rotation; a permutation of 1..cylinders
  std::vector<double> intervals_deg;  ///< crank degrees from each firing to the next, in firing
                                      ///< order; adds up to 720 (two-stroke 360)
  std::vector<int> heard;             ///< cylinders whose exhaust reaches this pipe
};

/// One exhaust event of the cycle that this pipe hears.
struct FiringPosition {
  int cylinder;      ///< whose exhaust it is, when the position numbering starts at order[0]
  CrankAngle angle;  ///< from the first heard firing, 0 <= angle < cycle
};

/// A validated engine layout. Immutable, cheap to copy.
///
/// Sound alone cannot tell which position is cylinder 1: positions are the heard cylinders in
/// firing order, counted from an arbitrary one.
class Engine {
 public:
  /// Errors: bad_argument, for 0 or more than 16 cylinders, strokes other than 2 or 4, an order
  /// that is no permutation of 1..cylinders, intervals of the wrong number or sum (0.5 degrees are
  /// forgiven) or not positive, heard cylinders that are unknown, doubled or none at all.
  static Result<Engine> make(const EngineSpec& spec);

  [[nodiscard]] int cylinders() const { return cylinders_; }
  [[nodiscard]] int strokes() const { return strokes_; }
  /// Crank angle of one engine cycle: 720 degrees, two-stroke 360.
  [[nodiscard]] CrankAngle cycle() const { return CrankAngle{strokes_ == 4 ? 720.0 : 360.0}; }
  /// Firing order as given (or 1..N).
  [[nodiscard]] std::span<const int> order() const { return order_; }
  /// The exhaust events this pipe hears, by rising angle; at least one.
  [[nodiscard]] std::span<const FiringPosition> positions() const { return positions_; }
  /// True when the heard events are equally spaced.
  [[nodiscard]] bool even_fire() const;
  /// Turns of the numbering, in positions, that lay the layout on itself: 0, and every one when even.
  [[nodiscard]] std::vector<int> turns() const;

  /// Relative strength of cycle line k (frequency k times the cycle frequency) for one unit pulse
  /// at every heard position: S_k = (1/P) sum_n exp(-2 pi i k theta_n / cycle), so S_0 = 1.
  /// Fourier series of an impulse train; Oppenheim & Schafer, Discrete-Time Signal Processing.
  [[nodiscard]] std::complex<double> line(int k) const;

  /// Engine cycles per second at a crank speed: rpm/120, two-stroke rpm/60.
  [[nodiscard]] Hertz cycle_frequency(Rpm speed) const;
  /// Crank speed at a cycle frequency; inverse of cycle_frequency.
  [[nodiscard]] Rpm speed(Hertz cycle_frequency) const;
  /// Exhaust events per second that this pipe hears.
  [[nodiscard]] Hertz firing_frequency(Rpm speed) const;

 private:
  Engine() = default;

  int cylinders_ = 0;
  int strokes_ = 4;
  std::vector<int> order_;
  std::vector<FiringPosition> positions_;
};

/// A layout with a name, as `pipebeat engines` lists it.
struct BuiltinEngine {
  std::string_view name;
  std::string_view description;
  EngineSpec spec;
};

/// All built-in layouts, in listing order.
std::span<const BuiltinEngine> builtin_engines();

/// The layout of that name, if there is one.
std::optional<EngineSpec> builtin_engine(std::string_view name);

}  // namespace pipebeat
