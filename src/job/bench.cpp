#include "pipebeat/bench.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>

namespace pipebeat {

namespace {

using namespace std::string_view_literals;

// Names in the order of the enumerators.
constexpr std::array fuel_names{"petrol"sv, "diesel"sv, "gas"sv};
constexpr std::array injection_names{"port"sv, "direct"sv, "rail"sv, "mechanical"sv,
                                     "carburettor"sv};
constexpr std::array ignition_names{"leads"sv, "coil_on_plug"sv, "unknown"sv, "none"sv};

template <class Enum, std::size_t n>
std::optional<Enum> named(const std::array<std::string_view, n>& names, std::string_view name) {
  const auto it = std::find(names.begin(), names.end(), name);
  if (it == names.end()) return std::nullopt;
  return static_cast<Enum>(it - names.begin());
}

std::string lower(std::string_view text) {
  std::string out{text};
  for (char& c : out) {
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  }
  return out;
}

std::string_view trimmed(std::string_view text) {
  while (!text.empty() && text.front() == ' ') text.remove_prefix(1);
  while (!text.empty() && text.back() == ' ') text.remove_suffix(1);
  return text;
}

struct Unit {
  std::string_view name;  ///< read in any case
  double factor;          ///< to the canonical unit
};

/// What numbers of a dimension look like. The first unit's factor is 1: the canonical one.
struct Scale {
  std::string_view canonical;
  std::vector<Unit> units;
  std::string_view example;
};

const Scale& scale_of(Dimension d) {
  // 1 psi = 6.894757 kPa: NIST SP 811, appendix B; so is 1 kgf/cm2 = 98.0665 kPa, the unit of old gauges.
  static const Scale pressure{"kPa",
                              {{"kPa", 1.0},
                               {"psi", 6.894757},
                               {"bar", 100.0},
                               {"MPa", 1000.0},
                               {"kg/cm2", 98.0665},
                               {"kg/cm\u00b2", 98.0665}},
                              "92psi, 6.3bar or 634kPa"};
  static const Scale percent{"%", {{"%", 1.0}, {"percent", 1.0}}, "35%"};
  static const Scale resistance{
      "ohm",
      {{"ohm", 1.0}, {"ohms", 1.0}, {"kohm", 1e3}, {"kohms", 1e3}, {"megohm", 1e6}, {"\u03a9", 1.0},
       {"k\u03a9", 1e3}},
      "14.5ohm or 12kohm"};
  static const Scale voltage{"kV", {{"kV", 1.0}, {"V", 1e-3}, {"", 1.0}}, "30kV"};
  static const Scale speed{"rpm", {{"rpm", 1.0}, {"1/min", 1.0}, {"", 1.0}}, "40rpm"};
  switch (d) {
    case Dimension::pressure: return pressure;
    case Dimension::percent: return percent;
    case Dimension::resistance: return resistance;
    case Dimension::voltage: return voltage;
    default: return speed;
  }
}

std::string option_of(std::string_view what) {
  std::string option = "--";
  for (char c : what) option += c == '_' ? '-' : c;
  return option;
}

tl::unexpected<Error> refuse(std::string_view what, std::string_view text, std::string why,
                             std::string hint) {
  return fail(ErrorCode::bad_argument, fmt::format("{} {}: {}", option_of(what), text, why),
              std::move(hint));
}

/// Possible values of a kind, in its canonical unit, and why nothing else can be; then the usual.
struct Limits {
  double least;
  double most;
  std::string_view why;
  double usual_least;
  double usual_most;
};

// Where no source is named these are common practice, no source: wide enough for any engine a
// person mends, narrow enough to catch a slipped decimal point or unit.
Limits limits_of(std::string_view what, Fuel fuel) {
  if (what == "compression" || what == "compression_wet") {
    if (fuel == Fuel::diesel) {
      return {0.0, 8000.0, "no cylinder compresses air to that", 1400.0, 4500.0};
    }
    return {0.0, 4000.0, "no spark engine compresses to that", 500.0, 1750.0};
  }
  if (what == "leakdown") return {0.0, 100.0, "a leak is between 0 and 100 %", 0.0, 90.0};
  if (what == "resistance") {
    return {0.0, 1e9, "a resistance is between nothing and an open circuit", 0.5, 60.0};
  }
  if (what == "lead_resistance") {
    return {0.0, 1e9, "a resistance is between nothing and an open circuit", 100.0, 50e3};
  }
  if (what == "spark_kv") {
    return {0.0, 100.0, "no vehicle's ignition reaches that", 0.0, 50.0};
  }
  if (what == "fuel_trim") return {-100.0, 100.0, "a trim is between -100 and 100 %", -35.0, 35.0};
  return {-500.0, 3000.0, "unplugging one cylinder can't change the speed by that", 0.0, 400.0};
}

struct Number {
  double value;  ///< canonical
  std::string_view unit;
  double factor;           ///< of the unit that was typed
  std::string_view typed;  ///< its name
};

Result<Number> number(const ReadingKind& kind, std::string_view text) {
  const Scale& scale = scale_of(kind.dimension);
  const std::string_view body = trimmed(text);
  const std::string_view digits = body.starts_with('+') ? body.substr(1) : body;
  double value = 0.0;
  const char* end = digits.data() + digits.size();
  const auto got = std::from_chars(digits.data(), end, value);
  if (got.ec != std::errc{} || !std::isfinite(value)) {
    return refuse(kind.name, text, "not a number with a unit",
                  fmt::format("write it like {}", scale.example));
  }
  const std::string unit =
      lower(trimmed({got.ptr, static_cast<std::size_t>(end - got.ptr)}));
  for (const Unit& u : scale.units) {
    if (unit == lower(u.name)) {
      return Number{value * u.factor, scale.canonical, u.factor, u.name.empty() ? scale.canonical : u.name};
    }
  }
  if (unit.starts_with(',')) {
    return refuse(kind.name, text, "a number has no comma here",
                  fmt::format("write decimals with a point and thousands together, like {}", scale.example));
  }
  if (unit.empty()) {
    return refuse(kind.name, text, "the unit is missing",
                  fmt::format("write it like {}", scale.example));
  }
  return refuse(kind.name, text, fmt::format("the unit {} does not fit", unit),
                fmt::format("write it like {}", scale.example));
}

/// Why this engine can't have such a reading; empty when it can.
std::string_view ruled_out(std::string_view what, std::string_view part, const Bench& bench) {
  const bool spark = what.starts_with("spark_") || what == "plug" || what == "arcing" ||
                     what == "lead_resistance" || part == "coil" || part == "lead" ||
                     part == "plug";
  if (spark && bench.fuel == Fuel::diesel) return "a diesel has no spark";
  const bool lead = what == "lead_resistance" || part == "lead";
  if (lead && bench.ignition == Ignition::coil_on_plug) {
    return "this engine's coils sit on the plugs, it has no plug leads";
  }
  if (what == "signal" && bench.injection != Injection::port) {
    return "the signal light serves port injectors only";
  }
  const bool electric = bench.injection == Injection::port ||
                        bench.injection == Injection::direct || bench.injection == Injection::rail;
  if ((what == "click" || what == "resistance") && !electric) {
    return "this engine has no electric injectors";
  }
  if (part == "injector" && bench.injection == Injection::carburettor) {
    return "this engine has no injectors";
  }
  return {};
}

Result<Reading> swap(std::string_view text, const Bench& bench) {
  static constexpr std::array parts{"coil"sv, "lead"sv, "plug"sv, "injector"sv};
  const auto bad = [&] {
    return refuse("swapped", text, "not a swap",
                  "write PART:FROM>TO in quotes, for example \"coil:3>4\", or coil:3-4");
  };
  const std::size_t colon = text.find(':');
  const std::size_t arrow = text.find_first_of(">-");  // an unquoted > would be taken by the shell
  if (colon == std::string_view::npos || arrow == std::string_view::npos || arrow < colon) {
    return bad();
  }
  Reading r;
  r.word = lower(text.substr(0, colon));
  if (std::find(parts.begin(), parts.end(), r.word) == parts.end()) {
    return refuse("swapped", text, fmt::format("{} is no part that can be swapped", r.word),
                  "name coil, lead, plug or injector");
  }
  const auto cylinder = [](std::string_view digits, int& out) {
    const char* end = digits.data() + digits.size();
    const auto got = std::from_chars(digits.data(), end, out);
    return got.ec == std::errc{} && got.ptr == end;
  };
  if (!cylinder(text.substr(colon + 1, arrow - colon - 1), r.cylinder) ||
      !cylinder(text.substr(arrow + 1), r.swapped_with)) {
    return bad();
  }
  for (int c : {r.cylinder, r.swapped_with}) {
    if (c < 1 || c > bench.cylinders) {
      return refuse("swapped", text, fmt::format("there is no cylinder {}", c),
                    fmt::format("the engine has cylinders 1 to {}", bench.cylinders));
    }
  }
  if (r.cylinder == r.swapped_with) {
    return refuse("swapped", text, "from a cylinder to itself is no swap",
                  "name two cylinders, for example \"coil:3>4\"");
  }
  return r;
}

}  // namespace

std::string_view to_string(Fuel fuel) { return fuel_names[static_cast<std::size_t>(fuel)]; }
std::string_view to_string(Injection injection) {
  return injection_names[static_cast<std::size_t>(injection)];
}
std::string_view to_string(Ignition ignition) {
  return ignition_names[static_cast<std::size_t>(ignition)];
}
std::optional<Fuel> fuel_named(std::string_view name) { return named<Fuel>(fuel_names, name); }
std::optional<Injection> injection_named(std::string_view name) {
  return named<Injection>(injection_names, name);
}
std::optional<Ignition> ignition_named(std::string_view name) {
  return named<Ignition>(ignition_names, name);
}

std::span<const ReadingKind> reading_kinds() {
  static const std::vector<ReadingKind> kinds{
      {"code", Dimension::code, false, {}, "A fault code, e.g. P0303; none: no code is stored"},
      {"always_so", Dimension::word, false, {"yes", "no"},
       "Has the engine always run like this"},
      {"clears_with_revs", Dimension::word, false, {"yes", "no"},
       "Does the miss clear at a raised speed"},
      {"comes_with_load", Dimension::word, false, {"yes", "no"},
       "Does the miss come, or grow, under load"},
      {"drop", Dimension::speed, true, {},
       "Speed lost when this cylinder is unplugged, e.g. 40rpm"},
      {"click", Dimension::word, true, {"yes", "weak", "no"},
       "Does the injector click (stethoscope)"},
      {"signal", Dimension::word, true, {"flashing", "steady", "none"},
       "Signal light in the injector's plug"},
      {"resistance", Dimension::resistance, true, {}, "Of the injector's coil, e.g. 14.5ohm"},
      {"plug", Dimension::word, true,
       {"tan", "sooty", "oily", "wet", "white", "cracked"},
       "How the spark plug looks (wet: with fuel)"},
      {"spark_kv", Dimension::voltage, true, {},
       "Widest spark of the gap tester, e.g. 30kV (a bare gap: `pipebeat job gap`)"},
      {"spark_colour", Dimension::word, true, {"blue", "yellow", "none"}, "Colour of that spark"},
      {"arcing", Dimension::word, true, {"yes", "no"},
       "Sparks seen along lead, boot or coil in the dark"},
      {"lead_resistance", Dimension::resistance, true, {}, "Of the plug lead, e.g. 12kohm"},
      {"compression", Dimension::pressure, true, {}, "Dry, e.g. 92psi, 6.3bar or 634kPa"},
      {"compression_wet", Dimension::pressure, true, {},
       "The same with a spoonful of oil in the cylinder"},
      {"leakdown", Dimension::percent, true, {}, "Loss at top dead centre, e.g. 35%"},
      {"leak_heard", Dimension::word, true,
       {"intake", "exhaust", "oil_filler", "radiator", "neighbour", "nowhere"},
       "Where the leak-down air escapes"},
      {"runner_hiss", Dimension::word, true, {"yes", "no"},
       "Air hissing in at this cylinder's intake joint"},
      {"exhaust_leak", Dimension::word, false, {"yes", "no"},
       "Exhaust blowing out ahead of the pipe's end"},
      {"fuel_trim", Dimension::percent, false, {}, "Long-term trim of a scan tool, e.g. +18%"},
      {"fuel_pressure", Dimension::word, false, {"low", "right", "high"},
       "Against the maker's figure"},
      {"swapped", Dimension::swap, true, {}, "A part moved, e.g. \"coil:3>4\" or coil:3-4; see --followed"},
  };
  return kinds;
}

std::optional<FaultCode> fault_code(std::string_view code) {
  using P = FaultCode::Points;
  if (code.size() != 5 || "PpBbCcUu"sv.find(code[0]) == std::string_view::npos) return std::nullopt;
  int number = 0;
  const auto got = std::from_chars(code.data() + 1, code.data() + 5, number, 16);
  if (got.ec != std::errc{} || got.ptr != code.data() + 5 || code[1] < '0' || code[1] > '3') {
    return std::nullopt;
  }
  if (code[0] != 'P' && code[0] != 'p') return FaultCode{P::elsewhere};
  // Numbers read as hexadecimal, because that is how the standard counts. Ranges: SAE J2012 /
  // ISO 15031-6, from memory. Cylinders 10 to 12 are written 10, 11, 12: decimal digits.
  const auto cylinder = [number](int first) { return number - first + 1 - (number >= first + 15 ? 6 : 0); };
  const auto within = [number](int first) {
    return (number >= first && number <= first + 8) || (number >= first + 15 && number <= first + 17);
  };
  if (number == 0x300) return FaultCode{P::random_miss};
  if (within(0x301)) return FaultCode{P::cylinder_miss, cylinder(0x301)};
  if (within(0x201)) return FaultCode{P::injector_circuit, cylinder(0x201)};
  if (number >= 0x351 && number <= 0x359) return FaultCode{P::coil_circuit, number - 0x350};
  if (number >= 0x360 && number <= 0x362) return FaultCode{P::coil_circuit, number - 0x360 + 10};
  if (number == 0x171 || number == 0x174) return FaultCode{P::too_lean};
  if (number == 0x172 || number == 0x175) return FaultCode{P::too_rich};
  const bool air = number >= 0x100 && number <= 0x109;
  const bool crank_or_cam = number >= 0x335 && number <= 0x349;
  if (air || crank_or_cam) return FaultCode{P::shared_sensor};
  return FaultCode{P::elsewhere};
}

Result<CheckedReading> read_reading(std::string_view what, std::string_view text, int cylinder,
                                    const Bench& bench) {
  const auto kinds = reading_kinds();
  const auto kind = std::find_if(kinds.begin(), kinds.end(),
                                 [&](const ReadingKind& k) { return k.name == what; });
  if (kind == kinds.end()) {
    return fail(ErrorCode::bad_argument, fmt::format("{}: there is no such reading", what),
                "see `pipebeat job read --help`");
  }
  CheckedReading out;
  Reading& r = out.reading;
  if (kind->dimension == Dimension::swap) {
    auto swapped = swap(text, bench);
    if (!swapped) return tl::unexpected(swapped.error());
    r = *swapped;
  } else if (kind->per_cylinder) {
    if (cylinder == 0) {
      return refuse(what, text, "no cylinder is named", "name it with --cylinder N");
    }
    if (cylinder < 1 || cylinder > bench.cylinders) {
      return fail(ErrorCode::bad_argument,
                  fmt::format("--cylinder {}: there is no such cylinder", cylinder),
                  fmt::format("the engine has cylinders 1 to {}", bench.cylinders));
    }
    r.cylinder = cylinder;
  }
  r.what = what;
  r.given = text;
  if (const auto why = ruled_out(what, r.word, bench); !why.empty()) {
    return refuse(what, text, std::string{why},
                  "leave the reading out, or correct fuel, injection or ignition with `pipebeat job "
                  "new` in a new folder");
  }
  switch (kind->dimension) {
    case Dimension::swap: return out;
    case Dimension::word: {
      r.word = lower(trimmed(text));
      std::replace(r.word.begin(), r.word.end(), '-', '_');
      if (std::find(kind->words.begin(), kind->words.end(), r.word) == kind->words.end()) {
        return refuse(what, text, "not one of its words",
                      fmt::format("say {}", fmt::join(kind->words, ", ")));
      }
      return out;
    }
    case Dimension::code: {
      if (lower(trimmed(text)) == "none") {
        r.word = "NONE";
        return out;
      }
      const auto code = fault_code(trimmed(text));
      if (!code) {
        return refuse(what, text, "not a fault code",
                      "write a letter and four digits, for example P0303");
      }
      r.word = trimmed(text);
      for (char& c : r.word) {
        if (c >= 'a' && c <= 'z') c = static_cast<char>(c - 'a' + 'A');
      }
      if (code->cylinder > bench.cylinders) {
        return refuse(what, text, fmt::format("it names cylinder {}", code->cylinder),
                      fmt::format("the engine has cylinders 1 to {}: read the code again",
                                  bench.cylinders));
      }
      r.cylinder = code->cylinder;
      if (code->points == FaultCode::Points::elsewhere) {
        out.warnings.push_back(fmt::format("{}: kept, but it says nothing of misses", r.word));
      }
      return out;
    }
    default: break;
  }
  const auto value = number(*kind, text);
  if (!value) return tl::unexpected(value.error());
  r.value = value->value;
  r.unit = value->unit;
  const Limits limits = limits_of(what, bench.fuel);
  if (*r.value < limits.least || *r.value > limits.most) {
    return refuse(what, text, std::string{limits.why},
                  fmt::format("check value and unit; possible is {:.4g} to {:.4g} {}", limits.least / value->factor,
                              limits.most / value->factor, value->typed));
  }
  if (*r.value < limits.usual_least || *r.value > limits.usual_most) {
    out.warnings.push_back(fmt::format(
        "{} {}: unusual (usual is {:.4g} to {:.4g} {}); kept, measure again to be sure", option_of(what), text,
        limits.usual_least / value->factor, limits.usual_most / value->factor, value->typed));
  }
  return out;
}

Kilovolts breakdown_between_balls(Millimetres gap, Kilopascals pressure, Celsius temperature) {
  constexpr double kelvin_at_0 = 273.15;
  constexpr double reference_kelvin = 293.15;
  constexpr double root_kv = 6.72;     // kV per sqrt(bar cm)
  constexpr double linear_kv = 24.36;  // kV per bar cm
  const double bar_cm = pressure.value() / 100.0 * gap.value() / 10.0 * reference_kelvin /
                        (temperature.value() + kelvin_at_0);
  return Kilovolts{root_kv * std::sqrt(bar_cm) + linear_kv * bar_cm};
}

Millimetres gap_between_balls(Kilovolts voltage, Kilopascals pressure, Celsius temperature) {
  double low = 0.0;
  double high = 1000.0;
  for (int i = 0; i < 60; ++i) {
    const double middle = 0.5 * (low + high);
    const bool jumps =
        breakdown_between_balls(Millimetres{middle}, pressure, temperature) <= voltage;
    (jumps ? low : high) = middle;
  }
  return Millimetres{0.5 * (low + high)};
}

std::optional<Interval> breakdown_between_points(Millimetres gap) {
  struct Row {
    double mm;
    double rms_kv;
  };
  static constexpr std::array table{Row{0.0, 0.0},   Row{11.9, 10.0}, Row{18.4, 15.0},
                                    Row{25.4, 20.0}, Row{33.0, 25.0}, Row{41.0, 30.0},
                                    Row{51.0, 35.0}, Row{62.0, 40.0}};
  const double d = gap.value();
  if (!(d >= 5.0 && d <= 60.0)) return std::nullopt;
  const auto above =
      std::find_if(table.begin(), table.end(), [d](const Row& row) { return row.mm >= d; });
  const auto below = above - 1;
  const double share = (d - below->mm) / (above->mm - below->mm);
  const double peak = std::sqrt(2.0) * (below->rms_kv + share * (above->rms_kv - below->rms_kv));
  return Interval{0.75 * peak, 1.35 * peak};
}

}  // namespace pipebeat
