#include "job/table.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "job/files.hpp"
#include "job/json_text.hpp"
#include "job/store.hpp"

namespace pipebeat::job {

namespace {

constexpr double sum_tolerance = 1e-3;

template <class Enum>
std::vector<Enum> names(const Node& node, std::string_view key,
                        std::optional<Enum> (*named)(std::string_view)) {
  std::vector<Enum> out;
  const auto list = node.find(key);
  if (!list) return out;
  for (const Node& item : list->items()) {
    const auto value = named(item.text());
    if (!value) item.wrong(fmt::format("\"{}\" is not known", item.text()));
    out.push_back(*value);
  }
  return out;
}

Needs needs_from(const Node& node) {
  Needs needs{names(node, "fuel", fuel_named), names(node, "injection", injection_named),
              names(node, "ignition", ignition_named), {}};
  if (const auto strokes = node.find("strokes")) {
    for (const Node& item : strokes->items()) needs.strokes.push_back(item.integer(2, 4));
  }
  return needs;
}

void ask_for_source(const Node& node) {
  if (node.at("source").text().empty()) {
    node.at("source").wrong("name the source, or say \"common practice, no source\"");
  }
}

/// A code that is not there yet.
template <class Item>
std::string fresh_code(const Node& node, std::string_view key, const std::vector<Item>& items) {
  const Node code = node.at(key);
  std::string text = code.text();
  const bool there =
      std::any_of(items.begin(), items.end(), [&](const Item& i) { return i.code == text; });
  if (there || text.empty() || text == "otherwise") {
    code.wrong(fmt::format("\"{}\" can't be a name here, or stands twice", text));
  }
  return text;
}

template <class Where, std::size_t n>
Where where_from(const Node& node, const std::array<std::string_view, n>& words) {
  const Node where = node.at("where");
  const auto it = std::find(words.begin(), words.end(), where.text());
  if (it == words.end()) where.wrong(fmt::format("say one of: {}", fmt::join(words, ", ")));
  return static_cast<Where>(it - words.begin());
}

Cause cause_from(const Node& node, const Table& table) {
  static constexpr std::array<std::string_view, 3> places{"cylinder", "pair", "engine"};
  Cause c;
  c.code = fresh_code(node, "cause", table.causes);
  c.words = node.at("words").text();
  c.where = where_from<Cause::Where>(node, places);
  for (const auto& [fuel, weight] : node.at("prior").members()) {
    const auto known = fuel_named(fuel);
    if (!known) weight.wrong(fmt::format("there is no fuel \"{}\"", fuel));
    if (weight.number() < 0.0) weight.wrong("a prior is 0 or more");
    c.prior[static_cast<std::size_t>(*known)] = weight.number();
  }
  c.needs = needs_from(node);
  if (const auto sound = node.find("sound")) c.sound = sound->truth();
  c.repair = node.texts_or_none("repair");
  ask_for_source(node);
  return c;
}

std::vector<double> limits_from(const Node& node, std::size_t outcomes) {
  std::vector<double> limits;
  for (const Node& item : node.items()) {
    if (!limits.empty() && item.number() <= limits.back()) item.wrong("limits must rise");
    limits.push_back(item.number());
  }
  if (limits.size() + 1 > outcomes) node.wrong("more limits than outcomes to part");
  return limits;
}

std::vector<double> shares_from(const Node& row, std::size_t outcomes) {
  std::vector<double> p;
  double sum = 0.0;
  for (const Node& item : row.at("p").items()) {
    const double share = item.number();
    if (!(share > 0.0 && share < 1.0)) {
      item.wrong("a share lies between 0 and 1; write 0.001 for next to never");
    }
    p.push_back(share);
    sum += share;
  }
  if (p.size() != outcomes) {
    row.at("p").wrong(fmt::format("{} shares for {} outcomes", p.size(), outcomes));
  }
  if (std::abs(sum - 1.0) > sum_tolerance) {
    row.at("p").wrong(fmt::format("the shares add up to {:g}, not 1", sum));
  }
  for (double& share : p) share /= sum;
  return p;
}

TableReading reading_from(const Node& node, const Table& table) {
  static constexpr std::array<std::string_view, 3> places{"cylinder", "engine", "naming"};
  TableReading r;
  r.code = fresh_code(node, "reading", table.readings);
  r.where = where_from<TableReading::Where>(node, places);
  r.group = node.text_or("group", r.code);
  for (const auto& [code, words] : node.at("outcomes").members()) {
    r.outcomes.emplace_back(code, words.text());
  }
  if (r.outcomes.size() < 2) node.at("outcomes").wrong("a reading has two outcomes or more");
  if (const auto limits = node.find("limits")) {
    if (limits->json().is_array()) {
      r.limits.fill(limits_from(*limits, r.outcomes.size()));
    } else {
      for (const auto& [fuel, list] : limits->members()) {
        const auto known = fuel_named(fuel);
        if (!known) list.wrong(fmt::format("there is no fuel \"{}\"", fuel));
        r.limits[static_cast<std::size_t>(*known)] = limits_from(list, r.outcomes.size());
      }
    }
  }
  if (const auto share = node.find("lowest_share")) r.lowest_share = share->number();

  std::vector<bool> given(table.causes.size(), false);
  r.by_cause.resize(table.causes.size());
  for (const Node& row : node.at("rows").items()) {
    ask_for_source(row);
    const auto p = shares_from(row, r.outcomes.size());
    for (const Node& name : row.at("causes").items()) {
      if (name.text() == "otherwise") {
        r.otherwise = p;
        continue;
      }
      const auto it = std::find_if(table.causes.begin(), table.causes.end(),
                                   [&](const Cause& c) { return c.code == name.text(); });
      if (it == table.causes.end()) {
        name.wrong(fmt::format("there is no cause \"{}\"", name.text()));
      }
      const auto i = static_cast<std::size_t>(it - table.causes.begin());
      if (given[i]) name.wrong(fmt::format("\"{}\" stands in two rows", name.text()));
      given[i] = true;
      r.by_cause[i] = p;
    }
  }
  if (r.otherwise.empty()) node.at("rows").wrong("the row \"otherwise\" is missing");
  for (auto& p : r.by_cause) {
    if (p.empty()) p = r.otherwise;
  }
  return r;
}

void after_work_from(const Node& node, Table& table) {
  const Node name = node.at("cause");
  const auto it = std::find_if(table.causes.begin(), table.causes.end(),
                               [&](const Cause& c) { return c.code == name.text(); });
  if (it == table.causes.end() || it->where != Cause::Where::engine) {
    name.wrong(fmt::format("there is no cause \"{}\" of the whole engine", name.text()));
  }
  table.cured = static_cast<std::size_t>(it - table.causes.begin());
  table.cured_prior = node.at("prior").number();
  if (!(table.cured_prior > 0.0 && table.cured_prior < 1.0)) {
    node.at("prior").wrong("a probability lies between 0 and 1");
  }
  ask_for_source(node);
}

std::size_t known_reading(const Node& node, std::string_view code, const Table& table) {
  const int i = table.reading(code);
  if (i < 0) node.wrong(fmt::format("there is no reading \"{}\"", code));
  return static_cast<std::size_t>(i);
}

int known_outcome(const Node& node, const TableReading& reading) {
  const int i = reading.outcome(node.text());
  if (i < 0) node.wrong(fmt::format("{} has no outcome \"{}\"", reading.code, node.text()));
  return i;
}

TableTest test_from(const Node& node, const Table& table) {
  TableTest t;
  t.code = fresh_code(node, "test", table.tests);
  t.words = node.at("words").text();
  t.gives = known_reading(node.at("gives"), node.at("gives").text(), table);
  t.minutes = node.at("minutes").number();
  if (!(t.minutes > 0.0)) node.at("minutes").wrong("a test takes some time");
  t.tools = node.texts_or_none("tools");
  t.needs = needs_from(node);
  if (const auto after = node.find("after")) {
    for (const auto& [code, outcomes] : after->members()) {
      const std::size_t reading = known_reading(outcomes, code, table);
      std::vector<int> which;
      for (const Node& item : outcomes.items()) {
        which.push_back(known_outcome(item, table.readings[reading]));
      }
      t.after.emplace_back(reading, std::move(which));
    }
  }
  t.how = node.texts_or_none("how");
  t.cautions = node.texts_or_none("cautions");
  t.record = node.texts_or_none("record");
  if (t.how.empty()) node.wrong("say \"how\" it is done");
  if (t.cautions.empty()) node.wrong("a test has its \"cautions\", if only that there are none");
  return t;
}

}  // namespace

bool Needs::met_by(const Bench& bench) const {
  const auto has = [](const auto& list, auto value) {
    return list.empty() || std::find(list.begin(), list.end(), value) != list.end();
  };
  return has(fuels, bench.fuel) && has(injections, bench.injection) && has(strokes, bench.strokes) &&
         (bench.ignition == Ignition::unknown || has(ignitions, bench.ignition));
}

int TableReading::outcome(std::string_view wanted) const {
  for (std::size_t i = 0; i < outcomes.size(); ++i) {
    if (outcomes[i].first == wanted) return static_cast<int>(i);
  }
  return -1;
}

int Table::reading(std::string_view wanted) const {
  for (std::size_t i = 0; i < readings.size(); ++i) {
    if (readings[i].code == wanted) return static_cast<int>(i);
  }
  return -1;
}

Result<void> Table::know(const std::vector<std::string>& tools) const {
  std::set<std::string> known;
  for (const TableTest& t : tests) known.insert(t.tools.begin(), t.tools.end());
  for (const std::string& tool : tools) {
    if (tool != "none" && !known.contains(tool)) {
      return fail(ErrorCode::bad_argument, fmt::format("--tools {}: no test asks for it", tool),
                  fmt::format("name what you own of: {}; or none", fmt::join(known, ", ")));
    }
  }
  return {};
}

Result<Table> parse_table(const std::string& name, std::string text) {
  const auto parsed = JsonText::parse(name, std::move(text));
  if (!parsed) return tl::unexpected(parsed.error());
  try {
    const Node root{parsed->root};
    const Node schema = root.at("schema");
    if (schema.text() != "pipebeat.likelihoods/1") {
      schema.wrong("the schema must be pipebeat.likelihoods/1");
    }
    Table table;
    for (const Node& n : root.at("causes").items()) table.causes.push_back(cause_from(n, table));
    if (table.causes.empty()) root.at("causes").wrong("there must be a cause");
    if (const auto after = root.find("after_work")) after_work_from(*after, table);
    for (const Node& n : root.at("readings").items()) {
      table.readings.push_back(reading_from(n, table));
    }
    for (const Node& n : root.at("tests").items()) table.tests.push_back(test_from(n, table));
    if (const auto list = root.find("contradictions")) {
      for (const Node& n : list->items()) {
        Contradiction c;
        for (const Node& pair : n.at("all").items()) {
          for (const auto& [code, outcome] : pair.members()) {
            const std::size_t reading = known_reading(outcome, code, table);
            c.all.emplace_back(reading, known_outcome(outcome, table.readings[reading]));
          }
        }
        c.words = n.at("words").text();
        table.contradictions.push_back(std::move(c));
      }
    }
    return table;
  } catch (const Damage& damage) {
    return tl::unexpected(parsed->error(
        damage, "mend that place; `pipebeat job table` prints the built-in table to compare"));
  }
}

Result<Table> load_table(const std::string& file, const std::string& folder) {
  const std::string path = file.empty() ? path_in(folder, table_name) : file;
  auto text = read_file(path);
  if (!text && file.empty() && text.error().code == ErrorCode::not_found) {
    return parse_table("built-in table", std::string{builtin_table_text()});
  }
  if (!text) return tl::unexpected(text.error());
  return parse_table(path, std::move(*text));
}

}  // namespace pipebeat::job
