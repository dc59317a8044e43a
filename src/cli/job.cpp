// pipebeat job: the job card, from a new folder to the printed sheet.
#include <fmt/format.h>

#include <memory>
#include <numeric>
#include <string>
#include <vector>

#include "cli/command.hpp"
#include "cli/engine_options.hpp"
#include "cli/job_commands.hpp"
#include "job/store.hpp"
#include "job/table.hpp"
#include "show/paragraphs.hpp"
#include "show/words.hpp"

namespace pipebeat::cli {

namespace {

struct NewOptions {
  std::string folder;
  std::string vehicle;
  EngineOptions engine;
  std::string fuel = "petrol";
  std::string injection;
  std::string ignition;
  std::string rows;
  std::vector<std::string> tools;
};

template <class Enum>
Result<Enum> choice(std::string_view option, const std::string& text,
                    std::optional<Enum> (*named)(std::string_view), std::string_view words) {
  std::string name = text;
  for (char& c : name) c = c == '-' ? '_' : c;
  if (const auto value = named(name)) return *value;
  return fail(ErrorCode::bad_argument, fmt::format("{} {}: not known", option, text),
              fmt::format("say {}", words));
}

/// Cylinders row by row, "1-3-5/2-4-6". Engines of one row need not say so.
Result<std::vector<std::vector<int>>> rows_of(const std::string& text, const std::string& layout,
                                              int cylinders) {
  std::vector<std::vector<int>> rows;
  if (text.empty()) {
    // Up to five without a name, and those named so, stand in one row; of others nobody can tell.
    const bool one_row = layout.starts_with("inline") || layout.starts_with("diesel") ||
                         (layout.empty() && cylinders <= 5);
    if (one_row && cylinders > 1) {
      rows.emplace_back(static_cast<std::size_t>(cylinders));
      std::iota(rows[0].begin(), rows[0].end(), 1);
    }
    return rows;
  }
  std::vector<bool> seen(static_cast<std::size_t>(cylinders) + 1, false);
  rows.emplace_back();
  int number = 0;
  for (char c : text + "/") {
    if (c >= '0' && c <= '9' && number < 100) {
      number = 10 * number + (c - '0');
      continue;
    }
    if ((c != '-' && c != '/') || number < 1 || number > cylinders ||
        seen[static_cast<std::size_t>(number)]) {
      return fail(ErrorCode::bad_argument,
                  fmt::format("--rows {}: not the cylinders 1 to {}, each once", text, cylinders),
                  "write the cylinders row by row, for example --rows 1-3-5/2-4-6");
    }
    seen[static_cast<std::size_t>(number)] = true;
    rows.back().push_back(number);
    number = 0;
    if (c == '/') rows.emplace_back();
  }
  rows.pop_back();
  return rows;
}

Result<JobCard> card_of(const NewOptions& options) {
  JobCard card;
  if (options.folder.empty() || options.vehicle.empty()) {
    return fail(ErrorCode::bad_argument, options.folder.empty() ? "DIR is empty" : "--vehicle is empty",
                options.folder.empty() ? "name the folder to make" : "say what it is, in your words");
  }
  card.created = job::now();
  card.vehicle = options.vehicle;
  const auto spec = options.engine.spec();
  if (!spec) return tl::unexpected(spec.error());
  if (const auto engine = Engine::make(*spec); !engine) return tl::unexpected(engine.error());
  card.engine = *spec;
  card.layout = options.engine.name;
  card.order_stated = !options.engine.order.empty();
  card.bench.cylinders = spec->cylinders;
  card.bench.strokes = spec->strokes;

  const auto fuel = choice("--fuel", options.fuel, fuel_named, "petrol, diesel or gas");
  if (!fuel) return tl::unexpected(fuel.error());
  card.bench.fuel = *fuel;
  const bool diesel = *fuel == Fuel::diesel;
  const auto injection = choice(
      "--injection", !options.injection.empty() ? options.injection : diesel ? "rail" : "port",
      injection_named, "port, direct, rail, mechanical or carburettor");
  if (!injection) return tl::unexpected(injection.error());
  card.bench.injection = *injection;
  if (diesel != (*injection == Injection::rail || *injection == Injection::mechanical)) {
    return fail(ErrorCode::bad_argument,
                fmt::format("--injection {} does not go with --fuel {}", to_string(*injection),
                            to_string(*fuel)),
                diesel ? "a diesel has rail or mechanical" : "say port, direct or carburettor");
  }
  const auto ignition = choice(
      "--ignition", !options.ignition.empty() ? options.ignition : diesel ? "none" : "unknown",
      ignition_named, "leads or coil-on-plug");
  if (!ignition) return tl::unexpected(ignition.error());
  card.bench.ignition = *ignition;
  if (diesel != (*ignition == Ignition::none)) {
    return fail(ErrorCode::bad_argument,
                fmt::format("--ignition {} does not go with --fuel {}", to_string(*ignition),
                            to_string(*fuel)),
                diesel ? "a diesel has no spark: leave --ignition out"
                       : "say leads or coil-on-plug, or leave it out");
  }
  auto rows = rows_of(options.rows, card.layout, spec->cylinders);
  if (!rows) return tl::unexpected(rows.error());
  card.rows = std::move(*rows);
  const auto table = job::load_table("", options.folder);
  if (!table) return tl::unexpected(table.error());
  if (const auto known = table->know(options.tools); !known) return tl::unexpected(known.error());
  card.tools = options.tools;
  return card;
}

ExitStatus make_new(const NewOptions& options) {
  const auto card = card_of(options);
  if (!card) {
    complain(card.error());
    return ExitStatus::trouble;
  }
  if (const auto made = job::create(options.folder, *card); !made) {
    complain(made.error());
    return ExitStatus::trouble;
  }
  fmt::print("Job made in {}.\nNext: pipebeat check --job {} RECORDING\n{}",
             show::one_line(options.folder), show::as_argument(options.folder),
             show::wrapped("  ", show::recording_caution(), columns(STDOUT_FILENO)));
  return ExitStatus::no_miss;
}

void add_new(CLI::App& job, Action& chosen) {
  const auto options = std::make_shared<NewOptions>();
  CLI::App* command = job.add_subcommand("new", "Make a job folder for an engine");
  command->add_option("DIR", options->folder, "The folder to make")->type_name("")->required();
  command->add_option("--vehicle", options->vehicle, "What it is, in your words")
      ->type_name("TEXT")
      ->required();
  options->engine.add_description_to(*command);
  command->add_option("--fuel", options->fuel, "petrol, diesel or gas; default petrol")
      ->type_name("FUEL");
  command
      ->add_option("--injection", options->injection,
                   "port, direct, carburettor; diesel: rail, mechanical; default port or rail")
      ->type_name("KIND");
  command->add_option("--ignition", options->ignition, "leads or coil-on-plug, if you know it")
      ->type_name("KIND");
  command
      ->add_option("--rows", options->rows,
                   "Cylinders as they stand in the block, row by row, e.g. 1-3-5/2-4-6")
      ->type_name("ROWS");
  command
      ->add_option("--tools", options->tools,
                   "Tools you own, for choosing tests, e.g. stethoscope,ohmmeter; default all")
      ->type_name("TOOLS")
      ->delimiter(',')
      ->allow_extra_args(false);
  command->footer(
      "Exit status: 0 done, 2 trouble.\n"
      "Example: pipebeat job new van --vehicle \"bakery van\" --engine inline4");
  command->callback([&chosen, options] { chosen = [options] { return make_new(*options); }; });
}

}  // namespace

void add_job(CLI::App& program, Action& chosen) {
  CLI::App* job = program.add_subcommand(
      "job", "The job card: readings in, cause and next test out");
  job->require_subcommand(1);
  add_new(*job, chosen);
  add_job_read(*job, chosen);
  add_job_views(*job, chosen);
  add_job_gap(*job, chosen);
  job->footer("Example: pipebeat job new van --vehicle \"bakery van\" --engine inline4");
}

}  // namespace pipebeat::cli
