#include "show/clicks.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <iterator>

#include "show/json_parts.hpp"
#include "show/paragraphs.hpp"
#include "show/words.hpp"

namespace pipebeat::show {

namespace {

std::string sentence(const InjectorFinding& f) {
  switch (f.reason) {
    case InjectorReason::once_a_cycle: return "one click a cycle";
    case InjectorReason::twice_a_cycle: return "two clicks a cycle: fired in a batch";
    case InjectorReason::softer:
      return fmt::format("{:.0f} dB softer than its neighbours", -f.value);
    case InjectorReason::neighbours_only:
      return fmt::format("{:.0f} dB under its neighbours: what is heard comes through the rail",
                         -f.value);
    case InjectorReason::nothing_repeats: return "nothing clicks at the engine's rate";
    case InjectorReason::misses_clicks:
      return fmt::format("misses {} of its clicks", percent(f.value));
    case InjectorReason::too_short: return "the recording is too short: 10 s at least";
    case InjectorReason::odd_rate:
      return fmt::format("{:.1f} clicks a cycle: other noise, or another speed than given",
                         f.value);
  }
  return {};
}

/// Clicks but leaves so many out that it should be looked at; fewer may be the probe's doing.
bool leaves_out(const InjectorFinding& f) {
  constexpr double worth_saying = 0.1;
  return f.state == InjectorState::clicking && f.reason == InjectorReason::misses_clicks &&
         f.value >= worth_saying;
}

std::string headline(std::span<const InjectorFinding> injectors) {
  std::string silent;
  std::string weak;
  std::string now_and_then;
  bool unclear = injectors.empty();
  for (const InjectorFinding& f : injectors) {
    std::string* list = f.state == InjectorState::silent ? &silent
                        : f.state == InjectorState::weak ? &weak
                        : leaves_out(f)                  ? &now_and_then
                                                         : nullptr;
    if (list != nullptr) *list += fmt::format("{}{}", list->empty() ? "" : ", ", f.cylinder);
    unclear = unclear || f.state == InjectorState::unclear;
  }
  if (!silent.empty()) return "No click at the injector of cylinder " + silent;
  if (!weak.empty()) return "A soft click at the injector of cylinder " + weak;
  if (unclear) return "No answer for every injector";
  if (!now_and_then.empty())
    return "Every injector clicks, but not every time: see cylinder " + now_and_then;
  return "Every injector clicks";
}

}  // namespace

std::string_view probing_caution() {
  return "Caution: keep probe, leads and sleeves clear of belts, fan, hot parts and ignition "
         "leads; fuel under pressure sprays and burns. The maker's procedure and local codes come "
         "first.";
}

std::string clicks_to_json(std::span<const InjectorFinding> injectors) {
  Json json;
  json["schema"] = "pipebeat.clicks/1";
  json["injectors"] = Json::array();
  for (const InjectorFinding& f : injectors) {
    json["injectors"].push_back({{"cylinder", f.cylinder},
                                 {"state", to_string(f.state)},
                                 {"clicks_per_cycle", number(f.clicks_per_cycle, 3)},
                                 {"missed_ratio", number(f.missed_ratio, 4)},
                                 {"level_db", number(f.level_db, 1)},
                                 {"reason", sentence(f)}});
  }
  return dump(json);
}

std::string clicks_to_text(std::span<const InjectorFinding> injectors, const TextOptions& options) {
  std::string out = wrapped("", headline(injectors) + '.', options.columns);
  const bool silent = std::any_of(injectors.begin(), injectors.end(), [](const InjectorFinding& f) {
    return f.state == InjectorState::silent;
  });
  if (options.colour) out = fmt::format("{}{}\x1b[0m", silent ? "\x1b[1;31m" : "\x1b[1;32m", out);
  out += '\n';
  for (const InjectorFinding& f : injectors) {
    out += wrapped(fmt::format("  cylinder {:>2}  {:<9} ", f.cylinder, to_string(f.state)),
                   sentence(f), options.columns);
  }
  out += '\n' + wrapped("  ", probing_caution(), options.columns);
  out += "\n  Next\n";
  if (std::any_of(injectors.begin(), injectors.end(), leaves_out)) {
    out += wrapped("    - ",
                   "Clicks are left out: record again at a steady idle with the probe pressed on "
                   "the injector's body. If that stays, check the injector's plug and wiring.",
                   options.columns);
  }
  return out + wrapped("    - ",
                       silent ? "Check that injector's plug and signal (a test light flickers), "
                                "then its coil's resistance; swap it with a neighbour's last."
                              : "A clicking injector can still be blocked: compare what the "
                                "cylinders contribute with `pipebeat droptest`.",
                       options.columns);
}

}  // namespace pipebeat::show
