#include "cli/engine_options.hpp"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <string_view>
#include <vector>

#include "cli/command.hpp"
#include "job/store.hpp"

namespace pipebeat::cli {

namespace {

template <class Number>
bool parse(std::string_view text, Number& value) {
  const char* end = text.data() + text.size();
  const auto result = std::from_chars(text.data(), end, value);
  return result.ec == std::errc{} && result.ptr == end;
}

/// Numbers between separators. Errors: bad_argument, naming the option and an example.
template <class Number>
Result<std::vector<Number>> list(std::string_view option, std::string_view text,
                                 std::string_view separators, std::string_view example) {
  std::vector<Number> values;
  std::string_view rest = text;
  while (!rest.empty()) {
    const std::size_t end = std::min(rest.find_first_of(separators), rest.size());
    Number value{};
    const bool dangling = end + 1 == rest.size();
    if (!parse(rest.substr(0, end), value) || dangling) {
      return fail(ErrorCode::bad_argument,
                  fmt::format("{} {}: not a list of numbers", option, text),
                  fmt::format("write it like {} {}", option, example));
    }
    values.push_back(value);
    rest.remove_prefix(std::min(end + 1, rest.size()));
  }
  return values;
}

}  // namespace

void EngineOptions::add_to(CLI::App& command) {
  add_description_to(command);
  command
      .add_option("--job", job, "A job folder: it knows the engine, and the finding is added to it")
      ->type_name("DIR");
}

void EngineOptions::add_description_to(CLI::App& command) {
  const std::string group = "Engine";
  command.add_option("--cylinders", cylinders, "Number of cylinders (or give --engine)")
      ->group(group);
  command.add_option("--engine", name, "A built-in layout; `pipebeat engines` lists them")
      ->type_name("NAME")
      ->group(group);
  command.add_option("--strokes", strokes, "4 or 2; default 4")->group(group);
  command.add_option("--order", order, "Firing order, any rotation, e.g. 1-3-4-2")
      ->type_name("ORDER")
      ->group(group);
  command
      .add_option("--intervals", intervals,
                  "Crank degrees from each firing to the next, in firing order; default even")
      ->type_name("DEGREES,...")
      ->group(group);
  command
      .add_option("--heard", heard,
                  "Cylinders whose exhaust reaches this pipe, e.g. 1,2,3,4; default all")
      ->type_name("CYLINDERS")
      ->group(group);
  command.add_option("--rpm", rpm, "Engine speed to within 15 %, if you know it")
      ->type_name("GUESS")
      ->group(group);
}

Result<EngineSpec> EngineOptions::spec() const {
  EngineSpec spec;
  const auto agrees = [&](std::string_view who) -> Result<void> {
    if ((cylinders && *cylinders != spec.cylinders) || (strokes && *strokes != spec.strokes)) {
      return fail(ErrorCode::bad_argument,
                  fmt::format("{} has {} cylinders and {} strokes, and the other options say "
                              "otherwise",
                              who, spec.cylinders, spec.strokes),
                  "leave out --cylinders and --strokes, or leave out the one named first");
    }
    return {};
  };
  if (!job.empty()) {
    const auto card = job::load(job);
    if (!card) return tl::unexpected(card.error());
    spec = card->engine;
    if (const auto same = agrees("--job " + job); !same) return tl::unexpected(same.error());
  }
  if (!name.empty()) {
    const auto builtin = builtin_engine(name);
    if (!builtin) {
      std::vector<std::string> known;
      for (const BuiltinEngine& e : builtin_engines()) known.emplace_back(e.name);
      const std::string meant = nearest(name, known);
      return fail(ErrorCode::bad_argument, fmt::format("--engine {}: no layout of that name", name),
                  (meant.empty() ? "" : fmt::format("did you mean {}? ", meant)) + "`pipebeat engines` lists the layouts");
    }
    if (!job.empty() && builtin->cylinders != spec.cylinders) {
      return fail(ErrorCode::bad_argument,
                  fmt::format("--engine {} has {} cylinders, the engine of --job {} has {}", name,
                              builtin->cylinders, job, spec.cylinders),
                  "leave out --engine: the job knows its engine");
    }
    spec = *builtin;
    if (const auto same = agrees("--engine " + name); !same) return tl::unexpected(same.error());
  } else if (job.empty() && !cylinders) {
    return fail(ErrorCode::bad_argument, "the number of cylinders is missing",
                "give --cylinders N, or --engine NAME (`pipebeat engines` lists them), or --job DIR");
  } else if (job.empty()) {
    spec.cylinders = *cylinders;
    if (strokes) spec.strokes = *strokes;
  }
  if (!order.empty()) {
    auto values = list<int>("--order", order, "-,", "1-3-4-2");
    if (!values) return tl::unexpected(values.error());
    spec.order = *values;
  }
  if (!intervals.empty()) {
    auto values = list<double>("--intervals", intervals, ",", "90,150,90,150,90,150");
    if (!values) return tl::unexpected(values.error());
    spec.intervals_deg = *values;
  }
  if (!heard.empty()) {
    auto values = list<int>("--heard", heard, ",", "1,2,3,4");
    if (!values) return tl::unexpected(values.error());
    spec.heard = *values;
  }
  return spec;
}

Result<Engine> EngineOptions::engine() const {
  const auto meant = spec();
  if (!meant) return tl::unexpected(meant.error());
  return Engine::make(*meant);
}

std::optional<show::AssumedOrder> EngineOptions::assumed_order(const Engine& engine) const {
  bool stated = !order.empty();
  std::string layout = name;
  if (!stated && layout.empty() && !job.empty()) {
    const auto card = job::load(job);
    stated = card && card->order_stated && !card->engine.order.empty();
    if (card) layout = card->layout;
  }
  if (stated || engine.cylinders() < 3) return std::nullopt;
  return show::AssumedOrder{fmt::format("{}", fmt::join(engine.order(), "-")),
                            layout.empty() ? "because none was given" : "that of " + layout};
}

Result<std::optional<Rpm>> EngineOptions::speed_guess() const {
  if (!rpm) return std::nullopt;
  // The slowest also catches "1.800", where a point parts the thousands.
  constexpr double slowest = 30.0;
  constexpr double fastest = 30'000.0;
  if (!(*rpm >= slowest && *rpm <= fastest)) {
    return fail(ErrorCode::bad_argument,
                fmt::format("--rpm {}: no engine turns at that speed", *rpm),
                "give revolutions per minute, for example --rpm 700 or --rpm 1800");
  }
  return Rpm{*rpm};
}

void tell_assumed_order(const EngineOptions& options, const Engine& engine) {
  const bool all_heard = static_cast<int>(engine.positions().size()) == engine.cylinders();
  if (all_heard || !options.name.empty()) return;
  if (const auto assumed = options.assumed_order(engine)) tell("Note: ", show::sentence(*assumed) + ".");
}

bool has_others(const Engine& engine, std::string_view command) {
  if (engine.cylinders() > 1) return true;
  complain({ErrorCode::bad_argument, fmt::format("{}: an engine of one cylinder has no other to tell it from", command),
            "judge a recording of it with `pipebeat check`"});
  return false;
}

}  // namespace pipebeat::cli
