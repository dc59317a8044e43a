// Readings made at the engine with gauge, tester and ear: their units, what is possible, and what
// fuel and injection allow. Text in, checked numbers out.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "pipebeat/finding.hpp"
#include "pipebeat/result.hpp"
#include "pipebeat/units.hpp"

namespace pipebeat {

using Millimetres = Quantity<struct MillimetresUnit>;
using Kilovolts = Quantity<struct KilovoltsUnit>;
using Kilopascals = Quantity<struct KilopascalsUnit>;
using Celsius = Quantity<struct CelsiusUnit>;

enum class Fuel { petrol, diesel, gas };
/// How fuel reaches the cylinder. `port`: one injector before each inlet valve; `direct`: into a
/// spark engine's cylinder; `rail`: a diesel's electric injectors; `mechanical`: a diesel's pump and
/// lines; `carburettor`: a carburettor or a gas mixer, no injectors.
enum class Injection { port, direct, rail, mechanical, carburettor };
/// How voltage reaches the plug. `unknown`: a spark engine of which nobody said; `none`: a diesel.
enum class Ignition { leads, coil_on_plug, unknown, none };

[[nodiscard]] std::string_view to_string(Fuel fuel);
[[nodiscard]] std::string_view to_string(Injection injection);
[[nodiscard]] std::string_view to_string(Ignition ignition);
[[nodiscard]] std::optional<Fuel> fuel_named(std::string_view name);
[[nodiscard]] std::optional<Injection> injection_named(std::string_view name);
[[nodiscard]] std::optional<Ignition> ignition_named(std::string_view name);

/// What decides which readings an engine allows.
struct Bench {
  int cylinders = 4;
  Fuel fuel = Fuel::petrol;
  Injection injection = Injection::port;
  Ignition ignition = Ignition::unknown;
  int strokes = 4;
};

/// What a reading's text must look like.
enum class Dimension {
  word,        ///< one of ReadingKind::words
  pressure,    ///< kPa; also psi, bar, MPa
  percent,     ///< %
  resistance,  ///< ohm; also kohm, Mohm
  voltage,     ///< kV; also V
  speed,       ///< rpm
  code,        ///< a fault code, P0303
  swap,        ///< PART:FROM>TO, coil:3>4
};

/// One thing that can be read at the engine.
struct ReadingKind {
  std::string_view name;  ///< in the job file and, with dashes for underscores, on the command line
  Dimension dimension;
  bool per_cylinder;
  std::vector<std::string_view> words;  ///< allowed words where the dimension is `word`
  std::string_view help;                ///< for the command line
};

/// Every kind, in the order a hunt usually meets them.
[[nodiscard]] std::span<const ReadingKind> reading_kinds();

/// A checked reading.
struct Reading {
  std::string what;             ///< ReadingKind::name
  int cylinder = 0;             ///< 1-based; 0: the whole engine
  std::string word;             ///< the word, code or swapped part; empty for numbers
  std::optional<double> value;  ///< in `unit`
  std::string unit;             ///< kPa, %, ohm, kV or rpm; empty for words
  std::string given;            ///< as typed
  int swapped_with = 0;         ///< the other cylinder of a swap
  std::string followed;         ///< yes or no: did the miss follow the part; empty: not said
};

struct CheckedReading {
  Reading reading;
  std::vector<std::string> warnings;  ///< possible, but unusual: measure again
};

/// Reads one reading. `cylinder` 0 means that none was named; swaps name their own.
/// Errors: bad_argument when the kind is unknown, the text or its unit can't be read, the value is
/// impossible, the cylinder is missing or unknown, or fuel and injection rule the reading out.
[[nodiscard]] Result<CheckedReading> read_reading(std::string_view what, std::string_view text,
                                                  int cylinder, const Bench& bench);

/// What a fault code says, for the codes of SAE J2012 / ISO 15031-6 that bear on misses.
struct FaultCode {
  enum class Points {
    random_miss,       ///< P0300
    cylinder_miss,     ///< P0301 to P0312
    injector_circuit,  ///< P0201 to P0212
    coil_circuit,      ///< P0351 to P0362
    too_lean,          ///< P0171, P0174
    too_rich,          ///< P0172, P0175
    shared_sensor,     ///< air flow, manifold pressure, crank and cam sensors
    elsewhere,         ///< a code all right, but none that bears on misses
  };
  Points points;
  int cylinder = 0;  ///< 1-based where the code names one
};

/// Reads a code such as "P0303" (letters in either case). Empty when it has not the form of one.
[[nodiscard]] std::optional<FaultCode> fault_code(std::string_view code);

/// Voltage at which air between ball ends (a nearly uniform field) breaks down: Paschen's law with
/// the quadratic ionisation law for air, V = 6.72 sqrt(pd) + 24.36 pd (kV; pd in bar cm at 20
/// degrees C), Kuffel, Zaengl & Kuffel, High Voltage Engineering: Fundamentals, 2nd ed., chapter 5
/// (from memory). Within about 3 % of sphere-gap tables from 0.5 to 20 mm.
/// `gap` at least 0; the air's pressure and temperature count through its density.
[[nodiscard]] Kilovolts breakdown_between_balls(Millimetres gap,
                                                Kilopascals pressure = Kilopascals{101.325},
                                                Celsius temperature = Celsius{20.0});

/// Gap between ball ends that this voltage just jumps; the inverse of breakdown_between_balls.
[[nodiscard]] Millimetres gap_between_balls(Kilovolts voltage,
                                            Kilopascals pressure = Kilopascals{101.325},
                                            Celsius temperature = Celsius{20.0});

/// Range of voltages at which a gap between points breaks down in open air: the needle-gap table of
/// the American Institute of Electrical Engineers' standards of about 1915 (peak values, from
/// memory), taken 25 % down and 35 % up, because shape, polarity and moist air move it that far.
/// Empty below 5 mm, where points hardly differ from balls, and above 60 mm.
[[nodiscard]] std::optional<Interval> breakdown_between_points(Millimetres gap);

}  // namespace pipebeat
