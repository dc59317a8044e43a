// Physical quantities as types: a number without its unit does not compile.
#pragma once

#include <compare>
#include <cstdint>

namespace pipebeat {

/// A number that carries its unit as a tag. Construction is explicit in both directions,
/// so a frequency never becomes a speed by accident.
template <class Unit, class Rep = double>
class Quantity {
 public:
  constexpr Quantity() = default;
  constexpr explicit Quantity(Rep value) : value_{value} {}

  [[nodiscard]] constexpr Rep value() const { return value_; }

  constexpr auto operator<=>(const Quantity&) const = default;

  friend constexpr Quantity operator+(Quantity a, Quantity b) {
    return Quantity{static_cast<Rep>(a.value_ + b.value_)};
  }
  friend constexpr Quantity operator-(Quantity a, Quantity b) {
    return Quantity{static_cast<Rep>(a.value_ - b.value_)};
  }
  friend constexpr Quantity operator*(Quantity a, Rep factor) {
    return Quantity{static_cast<Rep>(a.value_ * factor)};
  }

 private:
  Rep value_{};
};

using Hertz = Quantity<struct HertzUnit>;           ///< events per second
using Rpm = Quantity<struct RpmUnit>;               ///< crankshaft revolutions per minute
using Seconds = Quantity<struct SecondsUnit>;       ///< time
using CrankAngle = Quantity<struct CrankAngleUnit>; ///< degrees of crankshaft rotation
using Decibels = Quantity<struct DecibelsUnit>;     ///< 20 log10 of an amplitude ratio
/// Frames, not samples: a frame holds one sample of every channel.
using FrameCount = Quantity<struct FrameUnit, std::int64_t>;

}  // namespace pipebeat
