"""The one writer of GeoPackages: layers appended one after the other, styles, equal bytes for equal input."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyogrio
import shapely

from pipeline.files.disk import check_room
from pipeline.files.store import whole_file
from pipeline.files.texts import safe_columns, safe_texts

# GDAL stamps the time of writing into every layer; with a fixed one equal layers give equal bytes.
STAMP = "2000-01-01T00:00:00.000Z"
# The file has a temporary name until it is whole, so nothing is gained by waiting for the disk in between.
GDAL_OPTIONS = {"OGR_CURRENT_DATE": STAMP, "OGR_SQLITE_SYNCHRONOUS": "OFF", "OGR_SQLITE_CACHE": "256"}
GEOMETRY = "geom"
STYLES, LEGEND = "layer_styles", "legend"


@dataclass(frozen=True)
class Style:
    """How a layer is drawn: one colour, or one for each value of a column.

    Attributes
    ----------
    layer, name : str
        Layer and the name of the style.
    kind : {"line", "fill", "outline", "mark", "any"}
        "any" is of a layer with geometries of all kinds.
    colours : tuple of (value, colour)
        Value of `column` and #RRGGBB; a single one where there is no column.
    column : str or None
    default : bool
        Whether the layer opens with it.
    labels : tuple of (value, text)
        What a legend says of a value; one that is not there is said as it is.
    """

    layer: str
    name: str
    kind: str
    colours: tuple[tuple[str, str], ...]
    column: str | None = None
    default: bool = True
    labels: tuple[tuple[str, str], ...] = ()

    def label(self, value: str) -> str:
        """What a legend says of a value."""
        return dict(self.labels).get(value, value)


def write_geopackage(
    path: Path, layers: Iterable[tuple[str, str, gpd.GeoDataFrame | pa.Table]], *, crs: str, styles: Sequence[Style] = ()
) -> None:
    """Write a GeoPackage as a whole.

    Parameters
    ----------
    path : Path
    layers : iterable of (layer, geometry type, table)
        A layer that comes again is appended to. An empty table still makes its layer. Drawn one at a time,
        so that a large co-op never lies in memory at once. An Arrow table is written as it is, without a detour by
        geometries: in two dimensions, of just that type.
    crs : str
        Of the Arrow tables, WKT.
    styles : sequence of Style
    """
    begun: set[str] = set()
    with whole_file(path) as unfinished, _gdal_options():
        for layer, kind, table in layers:
            if layer not in begun or len(table):
                _append(unfinished, layer, kind, table, crs=crs, new=layer not in begun)
            begun.add(layer)
        if styles:
            for layer, table in ((STYLES, _style_table(styles)), (LEGEND, _legend_table(styles))):
                pyogrio.write_dataframe(table, unfinished, layer=layer, driver="GPKG", append=True, FID="id")
        check_room(unfinished)


def _append(path: Path, layer: str, kind: str, table: gpd.GeoDataFrame | pa.Table, *, crs: str, new: bool) -> None:
    options = {"GEOMETRY_NAME": GEOMETRY, "FID": "fid", "SPATIAL_INDEX": "YES"} if new else {}
    options |= {"layer": layer, "driver": "GPKG", "geometry_type": kind, "append": path.exists()}
    if isinstance(table, pa.Table):
        # Columns of text without a line have lost their type.
        text = [one.with_type(pa.string()) if pa.types.is_null(one.type) else one for one in table.schema]
        table = safe_columns(table.cast(pa.schema(text)))
        pyogrio.write_arrow(table, path, geometry_name="geometry", crs=crs, **options)
        return
    text = {name: "string" for name in table.columns.drop(table.geometry.name) if table[name].dtype == object}
    flat = safe_texts(table.set_geometry(shapely.force_2d(table.geometry.values)).astype(text))
    pyogrio.write_dataframe(flat, path, use_arrow=True, promote_to_multi=kind.startswith("Multi"), **options)


@contextmanager
def _gdal_options() -> Iterator[None]:
    before = {name: pyogrio.get_gdal_config_option(name) for name in GDAL_OPTIONS}
    pyogrio.set_gdal_config_options(GDAL_OPTIONS)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _style_table(styles: Sequence[Style]) -> pd.DataFrame:
    """The table in which desktop GIS programs look for the styles of a GeoPackage."""
    return pd.DataFrame({
        "f_table_catalog": "", "f_table_schema": "", "f_table_name": [style.layer for style in styles],
        "f_geometry_column": GEOMETRY, "styleName": [style.name for style in styles],
        "styleQML": [_qml(style) for style in styles], "styleSLD": [_sld(style) for style in styles],
        "useAsDefault": [style.default for style in styles], "description": [style.name for style in styles],
        "owner": "", "ui": "", "update_time": pd.Timestamp(STAMP),
    })  # fmt: skip


def _legend_table(styles: Sequence[Style]) -> pd.DataFrame:
    """What the colours mean, one line a colour, for programs that draw in their own."""
    lines = [(style, value, colour) for style in styles for value, colour in style.colours]
    return pd.DataFrame({
        "layer": [style.layer for style, _, _ in lines], "style": [style.name for style, _, _ in lines],
        "column": [style.column or "" for style, _, _ in lines],
        "value": [value if style.column else "" for style, value, _ in lines],
        "label": [style.label(value) for style, value, _ in lines], "colour": [colour for _, _, colour in lines],
    })  # fmt: skip


def _sld(style: Style) -> str:
    """Styled layer descriptor 1.0 (OGC 02-070), one rule a value."""
    rules = "".join(_sld_rule(style, value, colour) for value, colour in style.colours)
    return (
        '<?xml version="1.0" encoding="UTF-8"?><StyledLayerDescriptor version="1.0.0" '
        'xmlns="http://www.opengis.net/sld" xmlns:ogc="http://www.opengis.net/ogc">'
        f"<NamedLayer><Name>{escape(style.layer)}</Name><UserStyle><Title>{escape(style.name)}</Title>"
        f"<FeatureTypeStyle>{rules}</FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>"
    )


def _sld_rule(style: Style, value: str, colour: str) -> str:
    where = ""
    if style.column:
        where = (
            f"<ogc:Filter><ogc:PropertyIsEqualTo><ogc:PropertyName>{escape(style.column)}</ogc:PropertyName>"
            f"<ogc:Literal>{escape(value)}</ogc:Literal></ogc:PropertyIsEqualTo></ogc:Filter>"
        )
    stroke = (
        f'<Stroke><CssParameter name="stroke">{colour}</CssParameter><CssParameter name="stroke-width">1</CssParameter>'
        "</Stroke>"
    )
    fill = f'<Fill><CssParameter name="fill">{colour}</CssParameter></Fill>'
    line, outline = f"<LineSymbolizer>{stroke}</LineSymbolizer>", f"<PolygonSymbolizer>{stroke}</PolygonSymbolizer>"
    mark = (
        f"<PointSymbolizer><Graphic><Mark><WellKnownName>circle</WellKnownName>{fill}</Mark><Size>9</Size></Graphic>"
        "</PointSymbolizer>"
    )
    drawn = {
        "line": line, "fill": f"<PolygonSymbolizer>{fill}</PolygonSymbolizer>", "outline": outline, "mark": mark,
        "any": outline + line + mark,
    }[style.kind]  # fmt: skip
    return f"<Rule><Name>{escape(value)}</Name><Title>{escape(style.label(value))}</Title>{where}{drawn}</Rule>"


def _qml(style: Style) -> str:
    """The same for desktop programs that read only their own style from the table."""
    if style.kind == "any":  # a layer has symbols of one kind there
        return ""
    symbols = "".join(_qml_symbol(style.kind, str(k), colour) for k, (_, colour) in enumerate(style.colours))
    if style.column is None:
        renderer = f'<renderer-v2 type="singleSymbol"><symbols>{symbols}</symbols></renderer-v2>'
    else:
        categories = "".join(
            f'<category symbol="{k}" value={quoteattr(value)} label={quoteattr(style.label(value))} render="true"/>'
            for k, (value, _) in enumerate(style.colours)
        )
        renderer = (
            f'<renderer-v2 type="categorizedSymbol" attr={quoteattr(style.column)}><categories>{categories}'
            f"</categories><symbols>{symbols}</symbols></renderer-v2>"
        )
    return f'<!DOCTYPE qgis><qgis version="3.0.0" styleCategories="Symbology">{renderer}</qgis>'


def _qml_symbol(kind: str, name: str, colour: str) -> str:
    rgb = ",".join(str(int(colour[k : k + 2], 16)) for k in (1, 3, 5)) + ",255"
    symbol, drawn, properties = {
        "line": ("line", "SimpleLine", {"line_color": rgb, "line_width": "0.3"}),
        "fill": ("fill", "SimpleFill", {"color": rgb, "style": "solid", "outline_style": "no"}),
        "outline": ("fill", "SimpleFill", {"style": "no", "outline_color": rgb, "outline_width": "0.4"}),
        "mark": ("marker", "SimpleMarker", {"name": "circle", "color": rgb, "size": "3"}),
    }[kind]
    props = "".join(f'<prop k="{key}" v="{value}"/>' for key, value in properties.items())
    layer = f'<layer class="{drawn}" enabled="1">{props}</layer>'
    return f'<symbol type="{symbol}" name="{name}">{layer}</symbol>'
